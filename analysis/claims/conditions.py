"""What a verdict holds for: what was heard, through what, with which music, and by whom."""

from __future__ import annotations

import pandas as pd

from analysis.claims.finding import Claim
from analysis.panels.number_words import listed, people
from analysis.tables.trials import FORCED_CHOICE, TrialTable

__all__ = ["conditions"]

_OUTPUTS = {
    "headphones": "headphones",
    "counter headphones": "the counter's headphones",
    "loudspeakers": "loudspeakers in a room",
    "vehicle": "the loudspeakers of a vehicle",
    "simulated": "",
}
_HEARING = ("hear", "similar", "one hears")


def conditions(trials: TrialTable, claim: Claim) -> str:
    """Say what a verdict on a claim holds for, from the trials that speak to it.

    Parameters
    ----------
    trials : TrialTable
        The answers of the listeners whom the claim is about.
    claim : Claim
        Decides which trials count: forced choices about its pair, or all paired preferences,
        since the worths of all stages come from one fit.

    Returns
    -------
    str
        Two sentences. Where the table says what was listened with, the sound was rendered by this
        program and the verdict holds for rendered tonal balance; otherwise only for the sound as
        it was played.
    """
    rows = _rows(trials, claim)
    if rows.empty:
        return "Nothing was asked that speaks to this claim."
    played = _played(rows)
    what, left_out = "the sound as it was played", "other playback, other seats"
    if (rows["output"] != "").any():
        what = f"rendered tonal balance{played}"
        left_out = "distortion, noise, space, other seats"
    names = sorted(set(rows["programme"].astype(str)) - {""})
    music = "what was played"
    if names:
        music = f"{'these pieces' if len(names) > 1 else 'this piece'} ({listed(names)})"
    who = _who(rows, trials, claim)
    return f"Holds for {what}, {music}, {who}. Not for {left_out} or other music."


def _rows(trials: TrialTable, claim: Claim) -> pd.DataFrame:
    if claim.kind not in _HEARING:
        return trials.of("paired")
    rows = trials.of(*FORCED_CHOICE)
    pair = {*claim.stages}
    heard = [
        rows[name].isin(pair) | (rows[name] == "")
        for name in ("stage_a", "stage_b", "stage_c", "stage_x")
    ]
    rows = rows.loc[heard[0] & heard[1] & heard[2] & heard[3]]
    if claim.kind == "one hears":
        rows = rows.loc[rows["listener"] == claim.names[0]]
    return rows


def _played(rows: pd.DataFrame) -> str:
    """Say through what the sound was heard, with listeners where it differs."""
    own = rows.drop_duplicates(["listener", "output"])["output"].astype(str)
    counts = own.map(lambda name: _OUTPUTS.get(name, name)).value_counts()
    counts = counts[counts.index != ""].sort_index()
    if counts.empty:
        return ""
    if len(counts) == 1 and (own != "").all():
        return f", on {counts.index[0]}"
    return ", on " + listed([f"{name} ({people(int(n))})" for name, n in counts.items()])


def _who(rows: pd.DataFrame, trials: TrialTable, claim: Claim) -> str:
    kind = "simulated listeners" if trials.simulated else "these listeners"
    if claim.kind == "one hears":
        return "this one simulated listener" if trials.simulated else "this one person"
    who = f" of the group {claim.who}" if claim.who else ""
    return f"{kind}{who} ({rows['listener'].nunique()})"
