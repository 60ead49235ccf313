"""Values of the record: what was planned, asked, measured; and what comes from elsewhere."""

from __future__ import annotations

import wave
from math import comb
from typing import Any

import numpy as np

from helpers.recomputed.study import Recomputed, at

SOUND = "a figure of the rendered files; tests/stimuli holds it against published signals"
MEASURED = "a figure of the measured responses; tests/stimuli holds it against closed forms"
LOG = "counted in the log of sittings, which the tables do not show; tests/abx/test_conduct.py"
SETTING = "a setting of the run, worked out from nothing"
SUPPOSED = "the size of difference that simulated studies suppose, worked out from nothing"
#: Patterns of numbers that no table of answers gives: why, and what checks them.
ELSEWHERE = {
    "/audibility/*/sd_db": MEASURED,
    "/responses": MEASURED,
    "/responses/*/n_positions": MEASURED,
    "/responses/*/valid_high_hz": MEASURED,
    "/responses/*/valid_low_hz": MEASURED,
    "/levels": SOUND,
    "/levels/*/gain_db": SOUND,
    "/levels/*/loudness_after_lufs": SOUND,
    "/levels/*/residual_lu": SOUND,
    "/levels/*/true_peak_dbtp": SOUND,
    "/level_apart/*/apart_lu": SOUND,
    "/level_check/*/figure": SOUND,
    "/level_check/*/limit": "a limit of the check of the rendered files; tests/stimuli",
    "/conduct/n_unanswered": LOG,
    "/conduct/n_withdrawn": LOG,
    "/conduct/software/*/n_sittings": LOG,
    "/results/about/seed": SETTING,
    "/results/power_claims/n_studies": SETTING,
    "/results/power_claims/share": SUPPOSED,
    "/results/power_claims/share_right": SUPPOSED,
    "/study/tests/*/practice": "a default of the way of asking; tests/abx/test_study_file.py",
}


@at("/results/about/n_trials")
def n_trials(s: Recomputed) -> int:
    return len(s.trials)


@at("/results/about/n_listeners")
def n_listeners(s: Recomputed) -> int:
    return s.trials["listener"].nunique()


@at("/results/about/alpha", "/study/plan/alpha")
def alpha(s: Recomputed) -> float:
    return s.alpha


@at("/results/claims", "/study/plan/claims")
def n_claims(s: Recomputed) -> int:
    """Count the claims of the plan; those that follow from the design are judged with them."""
    return max(len(s.plan["plan"].get("claims", [])), len(s.words["claims"]))


@at("/schedule/n_trials")
def ordered(s: Recomputed) -> int:
    """Count the answers to two versions that differ, controls left out."""
    table = s.trials[s.trials["control"] == ""]
    return int(((table["stage_b"] != "") & (table["stage_a"] != table["stage_b"])).sum())


@at("/study/plan/listeners")
def planned(s: Recomputed) -> int:
    return s.plan["plan"]["listeners"]


@at("/study/stages")
def n_stages(s: Recomputed) -> int:
    return len(s.plan["stages"])


@at("/study/stages/*/cost")
def cost(s: Recomputed, k: int) -> float | None:
    return s.plan["stages"][k].get("cost")


@at("/study/stages/*/labour_h")
def labour(s: Recomputed, k: int) -> float | None:
    return s.plan["stages"][k].get("labour_h")


@at("/study/programmes")
def n_programmes(s: Recomputed) -> int:
    return len(s.plan["programmes"])


@at("/study/programmes/*/seconds")
def seconds(s: Recomputed, k: int) -> float:
    with wave.open(str(s.folder / s.plan["programmes"][k]["file"])) as file:
        return file.getnframes() / file.getframerate()


@at("/study/tests")
def n_tests(s: Recomputed) -> int:
    return len(s.plan["tests"])


@at("/study/tests/*/trials")
def each(s: Recomputed, k: int) -> int:
    return s.plan["tests"][k]["trials"]


@at("/study/tests/*/repeats")
def repeats(s: Recomputed, k: int) -> int:
    return s.plan["tests"][k].get("repeats", 0)


@at("/study/tests/*/identical")
def identical(s: Recomputed, k: int) -> int:
    return s.plan["tests"][k].get("controls", {}).get("identical", 0)


@at("/study/tests/*/obvious")
def obvious(s: Recomputed, k: int) -> int:
    return s.plan["tests"][k].get("controls", {}).get("obvious", 0)


# sittings ----------------------------------------------------------------------------------


def _answered(s: Recomputed, k: int) -> Any:
    """Return by sitting the answers of a test, controls left out."""
    method = s.plan["tests"][k]["method"]
    assert [t["method"] for t in s.plan["tests"]].count(method) == 1
    own = s.trials[(s.trials["method"] == method) & (s.trials["control"] == "")]
    return own.groupby("session").size().reindex(s.trials["session"].unique(), fill_value=0)


@at("/conduct/tests/*/planned_each")
def planned_each(s: Recomputed, k: int) -> int:
    """Return the questions of a whole sitting, repeats included."""
    test = s.plan["tests"][k]
    named = len(s.plan["stages"]) if test.get("stages") == "all" else len(test.get("stages", ()))
    pairs = len(test["pairs"]) if "pairs" in test else comb(named, 2)
    return pairs * test["trials"] + test.get("repeats", 0)


@at("/conduct/tests/*/n_answered")
def n_answered(s: Recomputed, k: int) -> int:
    return int(_answered(s, k).sum())


@at("/conduct/tests/*/answered_most")
def answered_most(s: Recomputed, k: int) -> int:
    return int(_answered(s, k).max())


@at("/conduct/tests/*/n_short")
def n_short(s: Recomputed, k: int) -> int:
    return int((_answered(s, k) < planned_each(s, k)).sum())


def _whole(s: Recomputed) -> int:
    tests = range(len(s.plan["tests"]))
    short = np.any([_answered(s, k) < planned_each(s, k) for k in tests], axis=0)
    return int((~short).sum())


@at("/conduct/n_sittings")
def n_sittings(s: Recomputed) -> int:
    return s.trials["session"].nunique()


@at("/conduct/n_finished")
def n_finished(s: Recomputed) -> int:
    return _whole(s)


@at("/conduct/n_unfinished")
def n_unfinished(s: Recomputed) -> int:
    return n_sittings(s) - _whole(s)


@at("/conduct/outputs/*/n_sittings")
def outputs(s: Recomputed, k: int) -> int:
    counts = s.trials.drop_duplicates("session")["output"].value_counts()
    return int(counts.iloc[k])


# what was measured, as the table of stages holds it ----------------------------------------


def _register() -> None:
    names = {"sd_db": "deviation_sd_db", "mean_abs_db": "deviation_mean_abs_db"}
    names |= {"tilt_db_per_octave": "deviation_tilt_db_per_octave"}
    regions = ("deep bass", "bass", "low mid", "mid", "presence", "treble")
    names |= {f"regions/{name}": f"region_{name.replace(' ', '_')}_db" for name in regions}
    for key, column in names.items():

        def value(s: Recomputed, k: int, column: str = column) -> float:
            return float(s.stages.loc[s.plan["stages"][k]["id"], f"metric_{column}"])

        at(f"/deviation/*/{key}")(value)


_register()
