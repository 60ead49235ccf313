"""Listeners whose conduct gives a reason to look again, by what trial table and plan say.

A flag is no verdict on a person and leaves nobody out: claims are judged again without the flagged,
beside the verdict with everybody.
"""

from __future__ import annotations

from typing import Any

from analysis.listeners.screening import ScreeningRule
from analysis.listeners.steadiness import excluded_listeners
from analysis.tables.trials import TrialTable

__all__ = ["flagged_listeners"]

#: Share of obvious controls that a listener is expected to pass, and of trials that may stutter.
_CONTROLS_PASSED, _STUTTERED = 0.75, 0.05


def flagged_listeners(
    trials: TrialTable, reliability: dict[str, Any], rule: ScreeningRule | None = None
) -> dict[str, list[str]]:
    """Return listeners with reasons to judge the claims once more without them.

    Parameters
    ----------
    trials : TrialTable
    reliability : dict
        The reliability block of these trials.
    rule : ScreeningRule, optional
        What the plan declared.

    Returns
    -------
    dict of str to list of str
        Reasons by listener, in sorted order: the plan's screening rule leaves them out, fewer than
        three of four obvious controls were right, or more than one of twenty trials stuttered.
    """
    found: dict[str, list[str]] = {}
    if rule is not None:
        for name in excluded_listeners(rule, trials, reliability):
            found.setdefault(name, []).append("left out by the plan's screening rule")
    for row in reliability["listeners"]:
        control = row["controls"]["obvious"]
        passed, scored = control["passed"], control["scored"]
        if scored and passed < _CONTROLS_PASSED * scored:
            reason = f"{passed} of {scored} obvious controls right"
            found.setdefault(row["listener"], []).append(reason)
    for name, stuttered, counted in _stutters(trials):
        if stuttered > _STUTTERED * counted:
            reason = f"{stuttered} of {counted} trials stuttered"
            found.setdefault(name, []).append(reason)
    return dict(sorted(found.items()))


def _stutters(trials: TrialTable) -> list[tuple[str, int, int]]:
    """Return stuttered and counted trials by listener, where a player counted at all."""
    if "underruns" not in trials.frame.columns:
        return []
    counted = trials.frame.loc[trials.frame["underruns"].notna(), ["listener", "underruns"]]
    groups = counted["underruns"].gt(0).groupby(counted["listener"].astype(str))
    return [(str(name), int(own.sum()), len(own)) for name, own in groups]
