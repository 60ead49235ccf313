"""What a plan can find: simulated studies against closed forms, and against the whole analysis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.testing as npt
import pandas as pd
import pytest
from scipy import stats

from analysis.claims.hearing import obvious_controls
from analysis.claims.judge import Heard, judge_claims
from analysis.hearing.pair_cells import forced_choice_cells
from analysis.link.metrics import fit_links
from analysis.models.cells import cell_generator
from analysis.planning.families import Chance, Family, OnePair, StudyRun, Tally, simulate_studies
from analysis.planning.findings import Findings, PlanQuestion, explore, refine, true_share
from analysis.planning.power import exact_power, panel_power
from analysis.planning.simulated_panel import Answers, Panel, StudyTemplate
from analysis.planning.size import LADDER, PowerCurve, next_sizes
from analysis.planning.supposed import Sizes, suppose
from analysis.preference.fit import fit_preference
from analysis.run import analyse
from analysis.tables.stages import StageTable, stage_table
from analysis.tables.trials import TrialTable, trial_table
from helpers.planned_panel import asked

HEAR = "listeners can tell a from b"
ALIKE = Sizes(spread_right=0.0, spread_taste=0.0)


def tallied(
    template: StudyTemplate,
    claims: Sequence[str],
    n: int,
    *,
    sizes: Sizes = ALIKE,
    listeners: int | None = None,
    stages: StageTable | None = None,
    seed: int = 1,
    **run: Any,
) -> Tally:
    world = suppose(
        claims, sizes, compared=template.compared, groups=template.groups, stages=stages
    )
    study = StudyRun(
        Family(tuple(claims), stages=stages), ((world, template.panel(listeners)),), **run
    )
    *_, found = simulate_studies(study, n, seed=seed, processes=1)
    return found


def within(count: int, n: int, p: float, *, errors: float = 3.5) -> bool:
    """Tell whether a count is within some Monte Carlo errors of its expectation."""
    return abs(count - n * p) <= errors * np.sqrt(n * p * (1 - p)) + 1e-9


# against closed forms -------------------------------------------------------------------


def test_one_person_by_the_exact_binomial() -> None:
    template = asked(1, heard={("a", "b"): 20})
    claim = "listener P0000 can tell a from b"
    found = tallied(template, [claim], 600, sizes=replace(ALIKE, right=0.75))
    assert within(found.together[0, 0], 600, exact_power(0.75, 20))


@pytest.mark.parametrize(("method", "chance"), [("abx", 1 / 2), ("triangle", 1 / 3)])
def test_a_panel_by_the_exact_sums(method: str, chance: float) -> None:
    template = asked(8, heard={("a", "b"): 4}, method=method)
    found = tallied(template, [HEAR], 400, sizes=replace(ALIKE, spread_right=0.1))
    # Exact for listeners who differ by a beta distribution (analysis.panels.exact_panel).
    exact = panel_power(0.7, 8, 4, chance=chance, spread=0.1)
    assert within(found.together[0, 0], 400, exact)


def test_nobody_hears_by_the_exact_sums() -> None:
    from analysis.panels.exact_panel import similar_panel_power

    template = asked(14, heard={("a", "b"): 4}, controls=2)
    claim = "listeners cannot tell a from b within 40 %"
    found = tallied(template, [claim], 400, sizes=replace(ALIKE, controls=1.0))
    exact = similar_panel_power(14, 4, margin=0.4, spread=0.0)
    assert within(found.together[0, 0], 400, exact)
    # Controls come from a binomial of their own: with 28 of them all must be 9 in 10 right.
    careless = tallied(template, [claim], 400, sizes=replace(ALIKE, controls=0.9))
    passed = stats.binom.sf(25, 28, 0.9)  # 26 of 28 are the first above 90 %
    assert within(careless.together[0, 0], 400, exact * passed)


# the family -----------------------------------------------------------------------------

SIX = [
    "listeners can tell a from b",
    "listeners prefer b over a",
    "listeners prefer c over b",
    "listeners prefer d over c",
    "listeners prefer d most",
    "listeners prefer d most of a and b",
]


def test_a_family_finds_less_than_each_claim_alone() -> None:
    template = asked(16, heard={("a", "b"): 4}, stages="abcd")
    world = suppose(SIX, Sizes(), compared=template.compared)
    run = StudyRun(Family(tuple(SIX)), ((world, template.panel()),), alone=True)
    tally, lost = Tally.empty(run), 0
    for number in range(60):
        found = run(number, cell_generator(1, number))
        tally = tally.plus(found)
        assert found.alone is not None
        assert (found.together[0] <= found.alone).all()
        lost += int((found.alone & ~found.together[0]).sum())
    assert (tally.n_studies, tally.n_alone) == (60, 60)
    assert lost > 40
    # The two are read side by side, so that they have to come from the same studies.
    assert (tally.together[0] <= tally.alone).all()
    assert tally.every[0] < tally.together[0].min() <= tally.together[0].max() <= tally.some[0]


def test_with_no_effect_a_family_finds_something_in_at_most_alpha() -> None:
    template = asked(16, heard={("a", "b"): 4}, stages="abcd")
    nothing = replace(Sizes(), share=0.5, right=0.5)
    found = tallied(template, SIX, 200, sizes=nothing)
    # Three Monte Carlo errors above the nominal 5 %.
    assert found.some[0] <= 200 * 0.05 + 3 * np.sqrt(200 * 0.05 * 0.95)


def test_ordinary_sizes_of_effect_in_a_joint_test_and_by_one_pairs_votes() -> None:
    template = asked(20, stages="abcd")
    panel = template.panel()
    claim = "listeners prefer b over a"
    pair = OnePair.of(panel, "b", "a", 0.05)
    assert pair.panel.votes is not None
    assert len(pair.panel.votes.who) == 20
    found = tallied(template, [claim], 200, sizes=Sizes(), alone=True, pair=pair)
    # The joint test of all pairs has the same people's other votes besides.
    by_votes, jointly = found.pair / found.n_alone, found.together[0, 0] / 200
    assert 0.1 < by_votes < jointly - 0.1


# listeners ------------------------------------------------------------------------------


def test_a_smaller_panel_is_the_beginning_of_a_larger_one() -> None:
    template = asked(12, heard={("a", "b"): 4}, stages="abc", ties=True, controls=1)
    world = suppose(["listeners prefer c most", HEAR], Sizes(), compared=template.compared)
    small, large = (template.panel(n).answer(world, 5) for n in (7, 12))
    npt.assert_array_equal(large.votes[: len(small.votes)], small.votes)
    npt.assert_array_equal(large.correct[0][:7], small.correct[0])
    npt.assert_array_equal(large.passed[:7], small.passed)
    assert (large.votes == 2).any()


def test_more_listeners_find_more() -> None:
    template = asked(48, heard={("a", "b"): 4})
    shares = [
        tallied(template, [HEAR], 120, sizes=replace(ALIKE, right=0.65), listeners=n).together[0, 0]
        for n in (8, 24, 48)
    ]
    assert shares[0] < shares[1] - 15 < shares[2] - 20


def test_listeners_who_differ_are_harder_to_read() -> None:
    template = asked(16, stages="ab", rounds=6)
    claim = "listeners prefer b over a"
    alike, apart = (
        tallied(template, [claim], 200, sizes=Sizes(share=0.62, spread_taste=s)).together[0, 0]
        for s in (0.0, 1.5)
    )
    assert apart < alike - 40


def test_results_do_not_depend_on_the_number_of_cores() -> None:
    template = asked(12, heard={("a", "b"): 4}, stages="abc")
    claims = ("listeners prefer c over a", HEAR)
    world = suppose(claims, Sizes(), compared=template.compared)
    run = StudyRun(Family(claims), ((world, template.panel()),), alone=True)
    one, two = (list(simulate_studies(run, 30, processes=k)) for k in (1, 2))
    for a, b in zip(one, two, strict=True):
        npt.assert_array_equal(a.together, b.together)
        npt.assert_array_equal(a.alone, b.alone)
        assert a.n_alone == b.n_alone
    first = list(simulate_studies(run, 12, processes=1))[-1]
    *_, whole = simulate_studies(run, 30, tally=first, processes=1)
    npt.assert_array_equal(whole.together, one[-1].together)


# the whole analysis ---------------------------------------------------------------------


def answered(trials: TrialTable, panel: Panel, answers: Answers) -> TrialTable:
    """Write simulated counts back into a trial table, trial by trial."""
    frame = trials.frame.drop(columns=["correct", "rating"]).astype({"answer": object})
    said = frame["answer"].to_numpy().copy()
    for of_pair, right, same in zip(
        panel.asked, answers.correct, answers.same_correct, strict=True
    ):
        _mark(frame, said, panel, of_pair, right, same)
    said[(frame["method"] == "paired").to_numpy()] = [("a", "b", "tie")[k] for k in answers.votes]
    left = dict(zip(panel.listeners, answers.passed, strict=True))
    for row in np.flatnonzero((frame["control"] == "obvious").to_numpy()):
        who = str(frame["listener"].iloc[row])
        said[row] = "a" if left[who] > 0 else "b"
        left[who] -= 1
    return trial_table(frame.assign(answer=said))


def _mark(
    frame: pd.DataFrame,
    said: np.ndarray,
    panel: Panel,
    of_pair: Any,
    right: np.ndarray,
    same: np.ndarray,
) -> None:
    pair, method = set(of_pair.cells.pair), of_pair.cells.method
    first = frame["stage_a"].astype(str).to_numpy()
    second = frame["stage_b"].astype(str).to_numpy()
    other = frame["stage_x"].astype(str).to_numpy() if method == "same-different" else second
    asked_now = (frame["method"] == method).to_numpy() & (frame["control"] == "").to_numpy()
    inside = np.array([{a, b} == pair for a, b in zip(first, other, strict=True)]) & asked_now
    for k, who in enumerate(of_pair.who):
        rows = np.flatnonzero(inside & (frame["listener"] == panel.listeners[who]).to_numpy())
        if method != "same-different":
            said[rows], said[rows[: right[k]]] = "b", "a"
            continue
        alike = first[rows] == second[rows]
        calm, sharp = rows[alike], rows[~alike]
        said[calm], said[calm[: same[k]]] = "different", "same"
        said[sharp], said[sharp[: right[k] - same[k]]] = "same", "different"


METRICS = stage_table(
    pd.DataFrame(
        {
            "stage": list("abcdef"),
            "cost": [0.0, 100.0, 250.0, 400.0, 700.0, 900.0],
            "metric_sd_db": [6.0, 5.0, 4.0, 3.0, 2.0, 1.0],
        }
    )
)
KINDS = (
    "listeners can tell a from b",
    "listeners cannot tell b from c within 40 %",
    "listeners prefer e over d",
    "listeners prefer f most",
    "listeners prefer e most of a and b at 10 %",
    "step d before b",
    "step b before d for its cost",
    "metric sd_db orders the stages",
    "listener P0003 can tell a from b",
    "listeners prefer e over a among players",
    "listeners can tell a from b among players",
)


def _heard(table: TrialTable) -> Heard:
    """Return answers as the analysis holds them, but for the sides of trials.

    Simulated listeners have no habit of answering, and a plan does not count which answer was
    right; controls stand as their numbers.
    """
    cells = []
    for group in forced_choice_cells(table):
        sides = [name for name in group.cells if str(name).startswith("n_side_")]
        cells.append(replace(group, cells=group.cells.drop(columns=sides)))
    preference = fit_preference(table, n_draws=0)
    controls = obvious_controls(table.frame)
    links = fit_links(preference, METRICS, primary="sd_db", declared=["sd_db"])
    return Heard(cells, preference, (controls.scored, controls.passed), links, table)


def _judged(table: TrialTable) -> list[dict[str, Any]]:
    players = table.among("players")
    assert players is not None
    groups = {"players": _heard(players)}
    return judge_claims(KINDS, _heard(table), groups=groups, stages=METRICS)


@pytest.mark.parametrize("method", ["abx", "triangle", "same-different"])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_simulated_study_is_judged_as_the_analysis_judges_its_trials(
    method: str, seed: int
) -> None:
    """The fast way, counts into ready tables, against a trial table that is analysed."""
    heard = {("a", "b"): 4, ("b", "c"): 4}
    template = asked(
        [1, 1, 2, 1, 1, 3, 1, 1, 1, 2, 1, 1, 1, 1],  # visits of different lengths
        heard=heard,
        method=method,
        stages="abcdef",
        controls=0 if method == "same-different" else 1,
        groups=("players", "others"),
        ties=True,
    )
    world = suppose(
        KINDS, Sizes(share=0.85), compared=template.compared, groups=template.groups, stages=METRICS
    )
    panel = template.panel()
    answers = panel.answer(world, seed)
    fast = Family(KINDS, stages=METRICS, primary="sd_db").judge(panel, answers)
    table = answered(template.trials, panel, answers)
    slow_rows = _judged(table)
    for quick, slow in zip(fast, slow_rows, strict=True):
        assert quick["verdict"] == slow["verdict"], quick["text"]
        for key in ("p_value", "p_holm", "estimate", "n_trials", "n_listeners"):
            expected = np.nan if slow[key] is None else slow[key]
            npt.assert_allclose(
                np.array(quick[key], dtype=float), expected, rtol=1e-9, err_msg=quick["text"]
            )


def test_what_no_answers_could_support() -> None:
    template = asked(16, heard={("a", "b"): 4}, stages="abcd")
    claims = (
        HEAR,
        "listeners cannot tell a from c within 30 %",
        "listener P0000 can tell a from b",
        "metric sd_db orders the stages",
        "listeners prefer d most",
    )
    panel = template.panel()
    question = PlanQuestion(Family(claims, stages=METRICS), Sizes(), 16, lambda n: panel, pair=None)
    found = question.impossible(16)
    assert sorted(found) == [1, 2, 3]
    assert "trials of a and c" in found[1]
    assert "all right, could decide" in found[2]  # 4 of 4 have p = 1/16
    assert "6 stages or more" in found[3]


# from chances to sizes ------------------------------------------------------------------


def test_the_error_of_a_chance() -> None:
    # Agresti and Coull: by hand for 80 of 100, (82/104) and 104 trials.
    p = 82 / 104
    by_hand = 1.959964 * np.sqrt(p * (1 - p) / 104)
    assert Chance(80, 100).error == pytest.approx(by_hand, rel=1e-5)
    assert Chance(100, 100).error > 0.02
    assert np.isnan(Chance(0, 0).share)


def curve(**shares: float) -> PowerCurve:
    sizes = tuple(int(name[1:]) for name in shares)
    return PowerCurve(sizes, tuple(Chance(round(1000 * s), 1000) for s in shares.values()))


def test_a_dip_is_smoothed_and_the_size_read_between() -> None:
    found = curve(n8=0.5, n16=0.72, n24=0.68, n36=0.9)
    npt.assert_allclose(found.smooth(), [0.5, 0.7, 0.7, 0.9])
    needed = found.needed()
    # By hand: probit from .5244 at sqrt(24) to 1.2816 at sqrt(36); .8416 lies 41.9 % between.
    root = np.sqrt(24) + 0.41893 * (6 - np.sqrt(24))
    assert needed.listeners == int(np.ceil(root**2)) == 29
    assert needed.low is not None
    assert needed.high is not None
    assert needed.low < 29 < needed.high
    assert curve(n8=0.5, n16=0.7).needed().listeners is None
    assert curve(n8=0.9, n16=0.95).needed().listeners == 8


def test_the_ladder_is_climbed_until_the_chance_is_bracketed() -> None:
    assert next_sizes([curve(n24=0.5)]) == [32]
    assert next_sizes([curve(n24=0.95)]) == [20]
    assert next_sizes([curve(n24=0.5), curve(n24=0.95)]) == [32, 20]
    assert next_sizes([curve(n20=0.5, n24=0.7, n32=0.9)]) == []
    assert next_sizes([curve(n200=0.5)]) == []
    assert LADDER[-1] == 200


def question(n: int, claims: Sequence[str] = ("listeners prefer b over a", HEAR)) -> PlanQuestion:
    template = asked(48, heard={("a", "b"): 4}, stages="abc")
    panels: dict[int, Panel] = {}

    def panel_of(size: int) -> Panel:
        return panels.setdefault(size, template.panel(size))

    return PlanQuestion(Family(tuple(claims)), Sizes(), n, panel_of)


def test_exploring_a_plan() -> None:
    told: list[str] = []
    steps = explore(question(12), n_studies=24, processes=1, progress=lambda *a: told.append(a[2]))
    *_, found = steps
    assert isinstance(found, Findings)
    assert found.tally.n_studies == 24
    assert [sizes.share for sizes, _ in found.others] == [0.6, 0.8]
    assert found.at(0, 0).share <= found.together(0).share <= found.at(1, 0).share
    assert found.at(0, 0).n_studies == 12
    assert {24, 48} & set(found.panels) or 16 in found.panels
    needed = found.needed(None)
    assert needed.listeners is None or needed.listeners > 12
    assert "12 listeners" in told
    assert "60 %" in told
    *_, more = refine(found, 30, processes=1)
    assert (more.tally.n_studies, more.panels) == (30, found.panels)


def test_shares_that_others_push_up() -> None:
    claims = ("listeners prefer b over a", "listeners prefer c over b", "listeners prefer c over a")
    world = suppose(claims, Sizes(), compared=tuple("abc"))
    assert true_share(world, claims[0]) == pytest.approx(0.7)
    assert true_share(world, claims[2]) > 0.8
    assert true_share(world, HEAR) is None


# what a study as run could have noticed ---------------------------------------------------


def test_power_of_the_claims_of_a_study_as_run() -> None:
    template = asked([1, 1, 3, 1, 2, 1, 1, 1, 1, 1, 1, 1], heard={("a", "b"): 4}, stages="abc")
    claims = ["listeners prefer c most", HEAR, "listeners cannot tell a from b within 30 %"]
    world = suppose(claims, Sizes(), compared=template.compared)
    panel = template.panel()
    table = answered(template.trials, panel, panel.answer(world, 3))
    result = analyse(table, claims=claims, mixed=False, power_studies=25).to_dict()
    block = result["power_claims"]
    assert (block["n_studies"], block["n_listeners"]) == (25, 12)
    assert block["n_trials"] == table.n_trials
    assert [row["claim"] for row in block["claims"]] == claims
    first, second, third = block["claims"]
    assert first["together"] <= first["alone"]
    assert second["alone"] > 0.5
    assert second["alone_error"] < 0.25
    assert third["together"] == 0.0  # it contradicts what is claimed before it
    assert block["conflicts"] == [{"claim": claims[2], "against": [HEAR]}]
    assert block["all"] == 0.0
    # The level that Holm asks of the first of three claims.
    assert all(row["alpha"] == pytest.approx(0.05 / 3) for row in result["power"])
    assert analyse(table, claims=claims, mixed=False).to_dict()["power_claims"] is None
    assert analyse(table, mixed=False, power_studies=25).to_dict()["power_claims"] is None


def test_judging_needs_no_resampling() -> None:
    """No verdict rests on resampled panels, so simulated studies draw none."""
    template = asked(14, stages="abcd")
    claims = ["listeners prefer d most", "step d before b"]
    costs = stage_table(pd.DataFrame({"stage": list("abcd"), "cost": [0.0, 1.0, 2.0, 3.0]}))
    world = suppose(claims, Sizes(share=0.8), compared=template.compared, stages=costs)
    panel = template.panel()
    answers = panel.answer(world, 1)
    heard = panel.heard(answers)
    assert heard is not None
    assert heard.preference is not None
    assert heard.preference.draws is None
    table = answered(template.trials, panel, answers)
    slow = analyse(table, stages=costs, claims=claims, mixed=False).to_dict()["claims"]
    fast = judge_claims(claims, heard, stages=costs)
    assert [row["verdict"] for row in fast] == [row["verdict"] for row in slow]
