"""Could this panel hear at all? What obvious controls must show before silence counts.

A panel that sleeps hears nothing, and "listeners cannot tell I from J" would be true of it and
worth nothing. So the claim needs obvious controls, and they must show against guessing that the
listeners were awake: enough listeners, nine of ten right in the mean over listeners, and better
than any guessing, a habit of giving one answer included, at the level of the claim.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from analysis.hearing.dprime import CHANCE
from analysis.hearing.sides import SIDES, guessing_tail, right_side
from analysis.panels.panel import least_panel, wilson_interval
from analysis.tables.trials import FORCED_CHOICE

__all__ = ["RIGHT", "ControlCounts", "Controls", "Vouch", "obvious_controls", "vouch"]

#: Share of obvious controls that must be right, in the mean over listeners.
RIGHT = 0.9
#: Share of the level that is spent on bounding the leaning (Berger & Boos 1994 JASA 89:1012).
_SPENT = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class ControlCounts:
    """Obvious controls of one method.

    Attributes
    ----------
    method : str
    chance : float
        Guessing probability of the method.
    right, trials : numpy.ndarray, shape (n_listeners, n_sides)
        By listener and right answer (:data:`analysis.hearing.sides.SIDES`).
    other : numpy.ndarray, shape (n_others, n_sides)
        Answers given to the trials of the method that are no obvious controls, by listener: they
        tell how these listeners lean.
    """

    method: str
    chance: float
    right: np.ndarray
    trials: np.ndarray
    other: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Controls:
    """Obvious controls of a panel.

    Attributes
    ----------
    right, trials : numpy.ndarray, shape (n_listeners,)
        By listener, over all methods; listeners who had none are left out.
    methods : tuple of ControlCounts
    """

    right: np.ndarray
    trials: np.ndarray
    methods: tuple[ControlCounts, ...] = ()

    @property
    def scored(self) -> int:
        """Obvious controls with a right and a wrong answer."""
        return int(self.trials.sum())

    @property
    def passed(self) -> int:
        """Those answered right."""
        return int(self.right.sum())


@dataclass(frozen=True, slots=True)
class Vouch:
    """Whether a panel's obvious controls vouch for its ears.

    Attributes
    ----------
    awake : bool
    scored, passed, n_listeners : int
    share : float
        Mean over listeners of the share right; NaN without controls.
    p_value : float
        Against guessing; NaN where too few were given or right, so that it was not worked out.
    least : int
        Fewest listeners who can vouch at this level.
    """

    awake: bool
    scored: int
    passed: int
    n_listeners: int
    share: float
    p_value: float
    least: int

    @property
    def words(self) -> str:
        """What the controls showed, as part of a sentence."""
        if not self.scored:
            return "none was given"
        return f"{self.passed} of {self.scored} obvious controls were right"

    @property
    def why(self) -> str:
        """Why they do not suffice, as a sentence; empty where they do or where none was given."""
        if self.awake or not self.scored or self.share < RIGHT - 1e-9:
            return ""
        if self.n_listeners < self.least:
            given = "one listener" if self.n_listeners == 1 else f"{self.n_listeners} listeners"
            return f" They were given to {given}, where {self.least} are needed at this level."
        return " A habit of giving one answer could have passed them."

    @property
    def needs(self) -> str:
        """What it takes."""
        return (
            f"obvious controls for {self.least} listeners or more, nine of ten answered right, "
            "with every possible answer the right one equally often"
        )


def obvious_controls(frame: pd.DataFrame) -> Controls:
    """Count the obvious controls of checked trials.

    Parameters
    ----------
    frame : pandas.DataFrame
        Of a :class:`analysis.tables.trials.TrialTable`.

    Returns
    -------
    Controls
    """
    rows = frame.loc[(frame["control"] == "obvious") & frame["correct"].notna()]
    own = rows.groupby("listener", sort=True, observed=True)["correct"].agg(["sum", "size"])
    methods = tuple(
        _counts(frame.loc[frame["method"] == method], method)
        for method in FORCED_CHOICE
        if (rows["method"] == method).any()
    )
    return Controls(own["sum"].to_numpy(dtype=float), own["size"].to_numpy(dtype=float), methods)


def _counts(frame: pd.DataFrame, method: str) -> ControlCounts:
    frame = frame.assign(listener=frame["listener"].astype(str), answer=frame["answer"].astype(str))
    known = (frame["control"] == "obvious") & frame["correct"].notna()
    rows, names = frame.loc[known], list(SIDES[method])
    stages = (rows[f"stage_{k}"].astype(str).to_numpy() for k in "abcx")
    side, right = np.array(names)[right_side(method, *stages)], rows["correct"].to_numpy() == 1
    trials = pd.crosstab(rows["listener"], side).reindex(columns=names, fill_value=0)
    passed = pd.crosstab(rows["listener"], np.where(right, side, "")).reindex(
        index=trials.index, columns=names, fill_value=0
    )
    rest = frame.loc[frame["control"] != "obvious"]
    other = pd.crosstab(rest["listener"], rest["answer"]).reindex(columns=names, fill_value=0)
    return ControlCounts(
        method,
        CHANCE[method],
        passed.to_numpy(dtype=float),
        trials.to_numpy(dtype=float),
        other.to_numpy(dtype=float),
    )


def vouch(controls: Controls | tuple[int, int], alpha: float) -> Vouch:
    """Say whether obvious controls show, against guessing, that a panel could hear.

    Three conditions, all of which must hold: as many listeners with controls of one method as the
    least panel has (:func:`analysis.panels.panel.least_panel`, one-sided); :data:`RIGHT` of them
    right in the mean over listeners; and p at most `alpha` against guessing. For p every listener
    counts once on each side: the listeners' shares right are added up, rounded down, and held
    against guessing listeners who are right all the time or never, the case in which they scatter
    most. The mean over sides takes the largest chance over all leanings that the panel's other
    answers leave possible. Several methods share the level.

    Parameters
    ----------
    controls : Controls or tuple of int
        A tuple of scored and passed controls stands for one control each of as many listeners, at
        a chance of 1/2.
    alpha : float
        Level of the claim.

    Returns
    -------
    Vouch

    Raises
    ------
    ValueError
        A level outside (0, 1).
    """
    least = least_panel(alpha, sides=1)
    if isinstance(controls, tuple):
        scored, passed = controls
        p = float(stats.binom.sf(passed - 1, scored, 0.5)) if scored else float("nan")
        share = passed / scored if scored else float("nan")
        people, most = scored, scored
    else:
        scored, passed, people = controls.scored, controls.passed, len(controls.trials)
        share = float((controls.right / controls.trials).mean()) if people else float("nan")
        enough = [part for part in controls.methods if len(part.trials) >= least]
        most = max((len(part.trials) for part in enough), default=0)
        p = float("nan")
        if enough and share >= RIGHT - 1e-9:
            worked = [_guessing(part, alpha) for part in enough]
            p = min(1.0, min(worked) * len(enough))
    awake = most >= least and share >= RIGHT - 1e-9 and p <= alpha
    return Vouch(awake, scored, passed, people, share, p, least)


def _guessing(counts: ControlCounts, alpha: float) -> float:
    """Return the largest chance that guessing passes the controls of one method so well."""
    met = counts.trials > 0
    sums = np.where(met, counts.right / np.maximum(counts.trials, 1), 0.0).sum(axis=0)
    reach = met.sum(axis=0)
    used = reach > 0
    mean = float((np.floor(sums[used] + 1e-9) / reach[used]).mean())
    low, high = _leaning(counts.other, _SPENT * alpha)
    return guessing_tail(reach[None, :], mean, low=low, high=high) + _SPENT * alpha


def _leaning(other: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray]:
    """Return bounds of the panel's mean chance of each answer, which hold together at `level`."""
    size = other.shape[1]
    low, high = np.zeros(size), np.ones(size)
    total = other.sum(axis=1)
    if (total > 0).sum() < 2:
        return low, high
    shares, n = other[total > 0] / total[total > 0, None], total[total > 0]
    g, worth = len(n), len(n) ** 2 / float((1 / n).sum())
    mean, variance = shares.mean(axis=0), shares.var(axis=0, ddof=1) / len(n)
    for k in range(size):
        plain = mean[k] * (1 - mean[k]) / worth
        effect = max(1.0, variance[k] / plain) if plain > 0 else 1.0
        low[k], high[k] = wilson_interval(float(mean[k]), worth, effect, g, 1 - level / size)
    return low, high
