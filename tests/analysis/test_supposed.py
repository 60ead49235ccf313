"""Worlds in which claims are true: worths that fit together, and what cannot."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats
from scipy.special import expit

from analysis.link.permutation import rank_correlations
from analysis.planning.supposed import Sizes, Supposed, gap_of, mean_share, suppose
from analysis.tables.stages import StageTable, stage_table

STAGES = ("a", "b", "c", "d")
COSTS = stage_table(pd.DataFrame({"stage": list(STAGES), "cost": [0.0, 100.0, 300.0, 500.0]}))


def worths(claims: list[str], *, stages: StageTable | None = None, **sizes: float) -> dict:
    world = suppose(claims, Sizes(**sizes), compared=STAGES, stages=stages)
    assert world.conflicts == ()
    found = world.worth("", np.random.default_rng(1))
    return dict(zip(STAGES, found, strict=True))


@pytest.mark.parametrize("spread", [0.0, 0.5, 1.5])
@pytest.mark.parametrize("share", [0.55, 0.7, 0.95])
def test_a_share_is_the_mean_over_listeners(share: float, spread: float) -> None:
    gap = gap_of(share, spread)
    sd = np.sqrt(2) * spread

    def density(z: float) -> float:
        return float(expit(gap + sd * z) * stats.norm.pdf(z))

    assert integrate.quad(density, -12, 12)[0] == pytest.approx(share, abs=1e-6)
    assert mean_share(gap, spread) == pytest.approx(share, abs=1e-12)
    if not spread:
        assert gap == pytest.approx(np.log(share / (1 - share)))


def test_stages_are_as_equal_as_the_claims_allow() -> None:
    gap = gap_of(0.7, 0.5)
    assert worths([]) == dict.fromkeys(STAGES, 0.0)
    # One lead: the two move apart by half of it each, nobody else moves.
    found = worths(["listeners prefer b over a"])
    assert found == pytest.approx({"a": -gap / 2, "b": gap / 2, "c": 0, "d": 0})
    # The best of four leads each by one gap: by hand, mean 0.
    found = worths(["listeners prefer d most"])
    assert found == pytest.approx({"a": -gap / 4, "b": -gap / 4, "c": -gap / 4, "d": 3 * gap / 4})
    # A chain: each step one gap.
    found = worths(["listeners prefer b over a", "listeners prefer c over b"])
    assert found == pytest.approx({"a": -gap, "b": 0, "c": gap, "d": 0})


def test_a_lead_for_its_cost() -> None:
    gap = gap_of(0.7, 0.5)
    found = worths(["step b before d for its cost"], stages=COSTS)
    # Gains per unit of cost, on the scale of the largest weight 1 / 100, as in the claim's test.
    lead = (found["b"] - found["a"]) / 100 - (found["d"] - found["a"]) / 500
    assert 100 * lead == pytest.approx(gap)
    assert worths(["step b before d"], stages=COSTS)["b"] == pytest.approx(gap / 2)
    # Nothing is known of prices without a table, or of a step that is the baseline.
    assert worths(["step b before d"]) == dict.fromkeys(STAGES, 0.0)
    assert worths(["step a before d"], stages=COSTS) == dict.fromkeys(STAGES, 0.0)


def test_what_cannot_all_be_true_is_named_with_as_few_claims_as_do() -> None:
    claims = [
        "listeners prefer d over a",
        "listeners prefer b over a",
        "listeners prefer c over b",
        "listeners prefer a over c",
        "listeners cannot tell a from b within 30 %",
        "listeners can tell a from d",
        "listeners cannot tell d from a within 30 %",
    ]
    world = suppose(claims, Sizes(), compared=STAGES)
    found = {conflict.claim: conflict.against for conflict in world.conflicts}
    assert found == {claims[3]: (claims[1], claims[2]), claims[4]: (claims[1],),
                     claims[6]: (claims[5],)}  # fmt: skip
    worth = world.worth("", np.random.default_rng(1))
    assert worth[1] - worth[0] == pytest.approx(Sizes().gap)
    # They prefer one of the two, so they must hear the difference, whatever is claimed.
    assert world.right[""][frozenset("ab")] == 0.7


def test_what_nobody_hears_is_liked_equally() -> None:
    found = worths(["listeners prefer c most", "listeners cannot tell a from b within 30 %"])
    assert found["a"] == pytest.approx(found["b"])
    world = suppose(["listeners cannot tell a from b within 30 %"], Sizes(), compared=STAGES)
    assert world.right == {"": {}}


def test_groups_have_worlds_of_their_own() -> None:
    claims = [
        "listeners prefer a over b among players",
        "listeners prefer b over a among others",
        "listeners prefer c over d",
        "listeners can tell a from d among players",
    ]
    world = suppose(claims, Sizes(), compared=STAGES, groups=("others", "players"))
    assert world.conflicts == ()
    rng = np.random.default_rng(1)
    players, others = world.worth("players", rng), world.worth("others", rng)
    gap = Sizes().gap
    assert players[0] - players[1] == pytest.approx(gap) == others[1] - others[0]
    assert players[2] - players[3] == pytest.approx(gap) == others[2] - others[3]
    assert world.right["players"] == {frozenset("ad"): 0.7}
    assert world.right["others"] == {}


def metric_world(correlation: float, claims: tuple[str, ...] = ()) -> Supposed:
    table = pd.DataFrame({"stage": list("abcdef"), "metric_sd_db": [6.0, 5.0, 4.0, 3.0, 2.0, 1.0]})
    return suppose(
        ["metric sd_db orders the stages", *claims],
        Sizes(correlation=correlation),
        compared=tuple("abcdef"),
        stages=stage_table(table),
    )


def test_a_metric_orders_the_worths_with_the_stated_correlation() -> None:
    metric = np.arange(6.0, 0.0, -1)
    exact = metric_world(1.0).worth("", np.random.default_rng(1))
    assert np.corrcoef(exact, metric)[0, 1] == pytest.approx(-1.0)
    # Two stages picked at random differ by the stated share, root mean square.
    pairs = np.array([exact[i] - exact[j] for i in range(6) for j in range(6) if i != j])
    assert np.sqrt(np.mean(pairs**2)) == pytest.approx(Sizes().gap * np.sqrt(6 / 5))
    rng = np.random.default_rng(2)
    loose = [metric_world(0.8).worth("", rng) for _ in range(20)]
    found = [np.corrcoef(worth, metric)[0, 1] for worth in loose]
    assert found == pytest.approx([-0.8] * 20)
    assert len({tuple(worth) for worth in loose}) == 20


def test_a_metric_turns_to_where_the_other_claims_point() -> None:
    metric = np.arange(6.0, 0.0, -1)
    worth = metric_world(1.0, ("listeners prefer a over f",)).worth("", np.random.default_rng(1))
    assert rank_correlations(metric, worth) == pytest.approx(1.0)
    assert worth[0] - worth[5] >= Sizes().gap - 1e-9


@pytest.mark.parametrize(
    "sizes",
    [{"share": 1.0}, {"right": 0.0}, {"spread_taste": -1.0}, {"correlation": 2.0}, {"ties": 1.0}],
)
def test_impossible_sizes(sizes: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"must (lie|not be negative)|lies in"):
        Sizes(**sizes)
