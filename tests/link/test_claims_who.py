"""Claims about groups of listeners, and what every verdict holds for."""

import pandas as pd
import pytest

from analysis.claims.grammar import claimed_groups, parse_claim
from analysis.run import analyse
from analysis.tables.stages import stage_table
from analysis.tables.trials import trial_table
from stimuli.files.errors import InputError

from .conftest import answers

WARM, BRIGHT = {"i": 0.0, "j": 1.6}, {"i": 1.6, "j": 0.0}


def two_minds(**more):
    """Fourteen players who like j, ten others who like i, by simulated answers."""
    players = answers(WARM, listeners=14, per_pair=8, prefix="a").assign(group="players")
    others = answers(BRIGHT, listeners=10, per_pair=8, prefix="b", seed=2).assign(group="others")
    return pd.concat([players, others], ignore_index=True).assign(**more)


def judged(frame, *claims, **options):
    result = analyse(trial_table(frame), claims=claims, mixed=False, **options).to_dict()
    return result["claims"]


# grammar -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "who", "alpha"),
    [
        ("listeners prefer i over j among players", "players", None),
        ("listeners prefer i over j among players at 1 %", "players", 0.01),
        ("listeners prefer i most of j and k among trained listeners", "trained listeners", None),
        ("metric sd_db orders the stages among players", "players", None),
        ("step i before j for its cost among players at 2.5 %", "players", 0.025),
        ("listeners cannot tell i from j within 20 % among players", "players", None),
    ],
)
def test_who_and_level_close_any_sentence(text, who, alpha):
    claim = parse_claim(text)
    bare = parse_claim(text.split(" among ")[0])
    assert (claim.who, claim.alpha, claim.text) == (who, alpha, text)
    assert (claim.kind, claim.stages, claim.margin) == (bare.kind, bare.stages, bare.margin)


@pytest.mark.parametrize(
    "text",
    ["listener p1 can tell i from j among players", "listeners can tell i from j among a among b"],
)
def test_listeners_are_named_once(text):
    with pytest.raises(InputError, match="names listeners twice"):
        parse_claim(text)


def test_groups_of_claims_with_their_kinds():
    claims = ["listeners can tell i from j", "listeners prefer i over j among a", "step i before j"]
    assert claimed_groups([*claims, "listeners prefer j most among a at 1 %"]) == {
        "a": {"prefer", "most"}
    }


# verdicts ------------------------------------------------------------------------------


def test_groups_that_want_different_things_get_their_own_verdicts():
    claim = "listeners prefer j over i"
    everybody, players, others = judged(
        two_minds(), claim, f"{claim} among players", f"{claim} among others"
    )
    assert everybody["verdict"] == "undecided"
    assert everybody["who"] is None
    assert (players["verdict"], others["verdict"]) == ("supported", "contradicted")
    assert (players["who"], players["n_listeners"], players["n_trials"]) == ("players", 14, 112)
    assert players["words"].startswith("Among players (14 listeners): Listeners prefer j over i")


def test_a_group_is_judged_exactly_as_if_it_had_come_alone():
    frame = two_minds()
    (grouped,) = judged(frame, "listeners prefer j over i among players")
    (alone,) = judged(frame[frame["group"] == "players"], "listeners prefer j over i")
    for key in ("p_value", "estimate", "ci_low", "ci_high", "statistic", "df"):
        assert grouped[key] == pytest.approx(alone[key], rel=1e-12), key


def test_group_claims_share_the_family_of_all_claims():
    claim = "listeners prefer j over i among players"
    (alone,) = judged(two_minds(), claim)
    both = judged(two_minds(), claim, "listeners prefer j over i among others")
    smallest = min(row["p_value"] for row in both)
    assert min(row["p_holm"] for row in both) == pytest.approx(2 * smallest)
    assert both[0]["p_value"] == pytest.approx(alone["p_value"])


def test_metric_claims_rest_on_the_worths_of_the_group():
    worth = {"a": -1.5, "b": -0.9, "c": -0.2, "d": 0.3, "e": 0.9, "f": 1.4}
    turned = {name: -value for name, value in worth.items()}
    frame = pd.concat(
        [
            answers(worth, per_pair=3, prefix="a").assign(group="warm"),
            answers(turned, per_pair=3, prefix="b", seed=3).assign(group="bright"),
        ],
        ignore_index=True,
    )
    table = pd.DataFrame({"stage": list(worth), "metric_sd_db": [-v for v in worth.values()]})
    rows = judged(
        frame,
        "metric sd_db orders the stages among warm",
        "metric sd_db orders the stages among bright",
        stages=stage_table(table),
    )
    assert [round(row["estimate"]) for row in rows] == [-1, 1]
    assert [row["verdict"] for row in rows] == ["supported", "supported"]


def test_a_group_of_the_sealed_plan_that_nobody_is_in_leaves_it_open():
    claim = "listeners prefer j over i among dancers"
    (row,) = judged(two_minds(), claim, sealed_plan=True)
    assert row["verdict"] == "undecided"
    assert row["words"] == "No listener of these data is in the group dancers."
    assert "whose group is dancers" in row["needs"]
    assert row["conditions"] is None


def test_what_it_would_take_speaks_of_the_group():
    frame = two_minds()
    few = frame[frame["listener"].isin(["a00", "a01", "a02"]) & (frame["trial"] <= 2)]
    (row,) = judged(few, "listeners prefer j over i among players")
    assert row["verdict"] == "undecided"
    assert row["needs"] == "among players, a panel of 6 listeners or more"


# what a verdict holds for --------------------------------------------------------------


def test_conditions_name_sound_music_and_people_from_the_answers():
    frame = two_minds(programme="low-tide", output="headphones")
    (row,) = judged(frame, "listeners prefer j over i among players")
    assert row["conditions"] == (
        "Holds for rendered tonal balance, on headphones, this piece (low-tide), these listeners "
        "of the group players (14). Not for distortion, noise, space, other seats or other music."
    )


def test_conditions_count_listeners_where_outputs_differ():
    frame = two_minds()
    frame["output"] = frame["group"].map({"players": "headphones", "others": "vehicle"})
    (row,) = judged(frame, "listeners prefer j over i")
    assert "on headphones (14 listeners) and the loudspeakers of a vehicle (10" in row["conditions"]


def test_a_table_that_does_not_know_its_playback_does_not_claim_rendering():
    (row,) = judged(two_minds(), "listeners prefer j over i")
    assert "rendered" not in row["conditions"]
    assert row["conditions"].startswith("Holds for the sound as it was played, what was played")


def test_conditions_name_only_the_programmes_behind_the_claim():
    abx = pd.DataFrame(
        [
            (f"a{k:02d}", "2", n, "abx", "i", "j", "i", "a", "kite", "players")
            for k in range(14)
            for n in (1, 2)
        ],
        columns=[
            *("listener", "session", "trial", "method", "stage_a", "stage_b", "stage_x"),
            *("answer", "programme", "group"),
        ],
    )
    frame = pd.concat([two_minds(programme="low-tide"), abx], ignore_index=True)
    hear, prefer = judged(frame, "listeners can tell i from j", "listeners prefer j over i")
    assert "kite" in hear["conditions"]
    assert "low-tide" not in hear["conditions"]
    assert "(14)" in hear["conditions"]
    assert "low-tide" in prefer["conditions"]
    assert "(24)" in prefer["conditions"]


# the trial table -----------------------------------------------------------------------


def test_a_listener_is_in_one_group_throughout():
    frame = two_minds()
    frame.loc[5, "group"] = "others"
    with pytest.raises(
        InputError, match=r"row 6, column group: listener 'a00' is in group 'others', but in group"
    ):
        trial_table(frame)
    frame.loc[5, "group"] = ""
    with pytest.raises(InputError, match=r"row 6, column group: listener 'a00' is in no group"):
        trial_table(frame)


def test_groups_and_outputs_are_counted():
    about = analyse(trial_table(two_minds(output="headphones")), mixed=False).to_dict()["about"]
    assert about["groups"] == {"others": 10, "players": 14}
    assert about["outputs"] == {"headphones": 24}
