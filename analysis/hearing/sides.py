"""The sides of forced-choice trials, and whether hearing can be told from a habit of answering.

Listeners may lean to one answer whatever is played. Where every possible answer was right equally
often the leaning cancels. Where one was right more often, leaning to it looks like hearing; the
share right is then the mean over sides of the share right on each (balanced accuracy), which is
1/2 by guessing, or 1/3, whatever the leaning. Where a possible answer was never right no rule can
tell the two apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from analysis.models.places import PLACE_SLACK, Places
from analysis.panels.panel import SMALL_PANEL, PanelProportion, panel_proportion, wilson_interval
from analysis.panels.proportions import exact_p
from analysis.panels.sided_tail import leanings, sided_tail
from analysis.panels.tails import t_above

__all__ = [
    "SIDES",
    "SideCounts",
    "count_columns",
    "guessing_tail",
    "listener_sums",
    "own_test",
    "panel_share",
    "right_side",
    "side_counts",
    "sided_proportion",
    "sides_needs",
    "sides_of",
    "sides_words",
    "sums_by",
]

#: Possible right answers by method.
SIDES = {
    "abx": ("a", "b"),
    "duo-trio": ("a", "b"),
    "triangle": ("a", "b", "c"),
    "same-different": ("same", "different"),
}
#: How far the leaning that the answers show may move the share right, in its standard errors.
_MOVED = 0.1


def right_side(
    method: str, a: np.ndarray, b: np.ndarray, c: np.ndarray, x: np.ndarray
) -> np.ndarray:
    """Return which of the possible answers was right, by its place in :data:`SIDES`.

    Parameters
    ----------
    method : str
        A key of :data:`SIDES`.
    a, b, c, x : numpy.ndarray
        Stages of every trial, as names or codes.
    """
    if method == "same-different":
        return np.where(a == b, 0, 1)
    if method == "triangle":
        return np.where(b == c, 0, np.where(a == c, 1, 2))
    return np.where(x == a, 0, 1)


@dataclass(frozen=True, slots=True, eq=False)
class SideCounts:
    """Answers of a panel by listener and side.

    Attributes
    ----------
    right, trials : numpy.ndarray, shape (n_listeners, n_sides)
    listeners : tuple of str
        In the order of the rows.
    places : {"balanced", "allowed for", "confounded"}
    by_sides : bool
        Whether the share right is to be taken as the mean over sides. So it is where places have
        to be allowed for; in same-different trials, where nearly everybody leans, also where the
        panel's sides are balanced and a listener's own are not.
    """

    right: np.ndarray
    trials: np.ndarray
    listeners: tuple[str, ...]
    places: Places
    by_sides: bool

    @property
    def answers(self) -> tuple[np.ndarray, np.ndarray]:
        """Right answers and trials, ready for :func:`panel_share`: by side where that is needed."""
        if self.by_sides:
            return self.right, self.trials
        return self.right.sum(axis=1), self.trials.sum(axis=1)


def sides_of(cells: pd.DataFrame) -> SideCounts | None:
    """Return the answers by listener and side.

    Parameters
    ----------
    cells : pandas.DataFrame
        Counts by listener, as in :class:`analysis.hearing.pair_cells.PairCells`.

    Returns
    -------
    SideCounts or None
        None where the counts do not tell the sides.
    """
    pairs = _columns(cells)
    if pairs is None:
        return None
    names, sums = listener_sums(cells)
    if "n_same" in sums:
        sums["n_different"] = sums["n_trials"] - sums["n_same"]
        sums["n_different_correct"] = sums["n_correct"] - sums["n_same_correct"]
    trials = np.stack([sums[total] for total, _ in pairs], axis=1).astype(float)
    right = np.stack([sums[correct] for _, correct in pairs], axis=1).astype(float)
    return side_counts(right, trials, listeners=tuple(map(str, names)), lean="n_same" in sums)


def listener_sums(cells: pd.DataFrame) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Return listeners in sorted order and the sums of all counts by listener.

    Plans ask for them a hundred thousand times, where grouping a frame would take most of it.
    """
    codes, names = pd.factorize(cells["listener"].to_numpy(dtype=object), sort=True)
    return names, sums_by(count_columns(cells), codes, len(names))


def count_columns(cells: pd.DataFrame) -> dict[str, np.ndarray]:
    """Return the columns of counts, ``n_trials`` and all the others."""
    return {str(n): cells[n].to_numpy() for n in cells.columns if str(n).startswith("n_")}


def sums_by(numbers: dict[str, np.ndarray], code: np.ndarray, size: int) -> dict[str, np.ndarray]:
    """Add counts up by code, 0 to `size` - 1."""
    # Counts are whole numbers far below 2^53, which sums of doubles hold exactly.
    return {
        name: np.bincount(code, weights=values, minlength=size).astype(np.int64)
        for name, values in numbers.items()
    }


def side_counts(
    right: np.ndarray, trials: np.ndarray, *, listeners: tuple[str, ...] = (), lean: bool = False
) -> SideCounts:
    """Judge the sides of counts.

    Parameters
    ----------
    right, trials : numpy.ndarray, shape (n_listeners, n_sides)
    listeners : tuple of str, optional
    lean : bool, optional
        Whether a listener's own sides must be balanced too, as in same-different trials.

    Returns
    -------
    SideCounts
    """
    places = _places(right, trials)
    uneven = bool((trials.max(axis=1) > trials.min(axis=1)).any())
    by_sides = places == "allowed for" or (places == "balanced" and lean and uneven)
    return SideCounts(right, trials, listeners, places, by_sides)


def _columns(cells: pd.DataFrame) -> list[tuple[str, str]] | None:
    if "n_same" in cells:
        return [("n_same", "n_same_correct"), ("n_different", "n_different_correct")]
    names = [name for name in SIDES["triangle"] if f"n_side_{name}" in cells]
    return [(f"n_side_{s}", f"n_side_{s}_correct") for s in names] or None


def _places(right: np.ndarray, trials: np.ndarray) -> Places:
    """Say whether sides need to be allowed for: listeners count once."""
    met = (trials > 0).sum(axis=0)
    if met.min() < min(2, trials.any(axis=1).sum()):
        # One listener's answers on a side say nothing about how others lean.
        return "confounded"
    own = trials.sum(axis=1)
    right, trials, own = right[own > 0], trials[own > 0], own[own > 0]
    uneven = (trials / own[:, None]).mean(axis=0) - 1 / trials.shape[1]
    if np.abs(uneven).max() > PLACE_SLACK:
        return "allowed for"
    # A strong leaning moves the share even where sides are nearly balanced.
    shares, _ = _shares(right, trials)
    moved = float(np.abs(uneven @ (shares.sum(axis=0) / met)))
    se = stats.sem(right.sum(axis=1) / own) if len(own) > 1 else 0.0
    return "allowed for" if moved > _MOVED * se + 1e-9 else "balanced"


def _shares(right: np.ndarray, trials: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return shares right by listener and side, 0 where not met, and whether met."""
    met = trials > 0
    return np.where(met, right / np.maximum(trials, 1), 0.0), met


def panel_share(
    correct: np.ndarray, trials: np.ndarray, *, chance: float, confidence: float = 0.95
) -> PanelProportion:
    """Test a panel against a share right, allowing for sides where the counts are by side.

    Parameters
    ----------
    correct, trials : numpy.ndarray, shape (n_listeners,) or (n_listeners, n_sides)
        The first by :func:`analysis.panels.panel.panel_proportion`, the second by
        :func:`sided_proportion`.
    chance : float
    confidence : float, optional

    Returns
    -------
    PanelProportion
    """
    rule = sided_proportion if np.ndim(correct) == 2 else panel_proportion
    return rule(correct, trials, chance=chance, confidence=confidence)


def sided_proportion(
    correct: np.ndarray, trials: np.ndarray, *, chance: float, confidence: float = 0.95
) -> PanelProportion:
    """Test whether a panel is better than guessing with any leaning, listeners being the unit.

    The estimand is the mean over sides of the mean over listeners of P(correct) on that side.
    Listeners who met one side only still count there. The error comes from what each listener
    adds to the estimate (influence values), t has as many degrees of freedom as the side met by
    the fewest has listeners, less one; where everybody met every side that is the plain t on the
    listeners' own means over sides. Below :data:`analysis.panels.panel.SMALL_PANEL` listeners, or
    where nothing scatters, the largest exact p-value over all leanings is worked out as well and
    the larger of the two counts.

    Parameters
    ----------
    correct, trials : numpy.ndarray, shape (n_listeners, n_sides)
    chance : float
        Share right to test against.
    confidence : float, optional

    Returns
    -------
    PanelProportion
        ``n_listeners`` counts all who met some side; ``df`` tells of the rarer side.

    Raises
    ------
    ValueError
        Counts outside ``0 .. trials``, or a side that nobody met.
    """
    k, n = _checked(correct, trials)
    shares, met = _shares(k, n)
    reach, sides = met.sum(axis=0), n.shape[1]
    by_side = shares.sum(axis=0) / reach
    p, g, least = float(by_side.mean()), len(n), int(reach.min())
    over_trials, total = float(k.sum() / n.sum()), int(n.sum())
    if least < 2:
        nan = float("nan")
        return PanelProportion(
            *(total, g, p, nan, nan, nan, nan, nan, nan, nan, over_trials),
            *(chance, confidence, "one listener"),
        )
    influence = np.where(met, (shares - by_side) * np.sqrt(reach / (reach - 1)), 0.0) / reach
    variance = float(((influence.sum(axis=1) / sides) ** 2).sum())
    se = float(np.sqrt(variance))
    scatters = se > 1e-12
    t = (p - chance) / se if scatters else float("nan")
    p_value = float(t_above(t, least - 1)) if scatters else 0.0
    rule = "listeners"
    if not scatters or g < SMALL_PANEL:
        p_value = max(p_value, _above(n, p, chance))
        rule = "listeners and trials" if scatters else "trials"
    worth = sides**2 / float((met / np.maximum(n, 1) / reach**2).sum())
    independent = p * (1 - p) / worth
    effect = variance / independent if independent > 0 else 1.0
    low, high = wilson_interval(p, worth, max(effect, 1.0), least, confidence)
    return PanelProportion(
        *(total, g, p, se, t, least - 1, p_value, low, high, effect, over_trials),
        *(chance, confidence, rule),
    )


def _checked(correct: np.ndarray, trials: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    k, n = np.asarray(correct, dtype=float), np.asarray(trials, dtype=float)
    if k.ndim != 2 or k.shape != n.shape or np.any(k < 0) or np.any(k > n):
        raise ValueError("need 0 <= correct <= trials by listener and side")
    if not n.any(axis=0).all():
        raise ValueError("need every side met by a listener")
    own = n.any(axis=1)
    return k[own], n[own]


def _above(n: np.ndarray, mean: float, chance: float) -> float:
    """Return the exact chance of such a mean: over all leanings where `chance` is guessing."""
    sides = n.shape[1]
    if abs(chance * sides - 1) < 1e-9:
        return guessing_tail(n, mean)
    return float(sided_tail(n, mean, chance=np.full((1, sides), chance), upper=True)[0])


def guessing_tail(
    trials: np.ndarray,
    mean: float,
    *,
    low: np.ndarray | float = 0.0,
    high: np.ndarray | float = 1.0,
) -> float:
    """Return the largest chance, over leanings, of so high a mean over sides by guessing.

    Parameters
    ----------
    trials : numpy.ndarray of int, shape (n_listeners, n_sides)
    mean : float
        Mean of the shares right over the sides that somebody met.
    low, high : float or numpy.ndarray, shape (n_sides,), optional
        Bounds of the chance of each answer that are thought possible.

    Returns
    -------
    float
        Exact for listeners who share a leaning.
    """
    n = np.asarray(trials)
    used = n.any(axis=0)
    grid = np.array(leanings(n.shape[1]))
    slack = 1 / round(1 / grid[grid > 0].min())
    possible = grid[((grid >= low - slack) & (grid <= high + slack)).all(axis=1)]
    chances = np.unique(possible[:, used], axis=0)
    return float(sided_tail(n[:, used], mean, chance=chances, upper=True).max())


def own_test(cells: pd.DataFrame, *, chance: float) -> tuple[float, Places | None]:
    """Test one listener against guessing, with that person's trials alone.

    Where the possible answers were right equally often, the exact binomial of the plain count
    holds whatever the leaning: the count is a sum of unequal chances whose mean is `chance`, and
    at or above a success beyond its mean such a sum has the smaller tail (Hoeffding 1956 Ann Math
    Stat 27:713). Otherwise the mean over sides takes the largest exact chance over all leanings.

    Parameters
    ----------
    cells : pandas.DataFrame
        Counts of one listener.
    chance : float

    Returns
    -------
    p_value : float
        NaN where a possible answer was never right.
    places : {"balanced", "allowed for", "confounded"} or None
        None where the counts do not tell the sides.
    """
    right = np.array([int(cells["n_correct"].sum())])
    total = np.array([int(cells["n_trials"].sum())])
    plain = float(exact_p(right, total, chance=chance)[0])
    sides = sides_of(cells)
    if sides is None or sides.trials.max() == sides.trials.min():
        return plain, None if sides is None else "balanced"
    if not sides.trials.all():
        return float("nan"), "confounded"
    mean = float((sides.right / sides.trials).mean())
    return guessing_tail(sides.trials, mean), "allowed for"


_NEEDS = {
    "abx": "ABX trials in which X is A as often as B",
    "duo-trio": "duo-trio trials in which the reference is A as often as B",
    "triangle": "triangle trials in which the odd one stands in every place equally often",
    "same-different": "same-different trials of both kinds: pairs that differ and pairs that are "
    "the same",
}


def sides_needs(method: str) -> str:
    """Say what trials would tell hearing from a habit of answering."""
    return _NEEDS[method]


def sides_words(places: Places | None, *, one: bool = False) -> str:
    """Say what the sides mean for a verdict, on one person or on a panel; empty where balanced."""
    if places == "allowed for":
        return (
            " The possible answers were not right equally often; the verdict allows for a "
            "leaning to one answer."
        )
    if places == "confounded":
        only = "" if one else ", or for one listener only"
        return (
            f" One of the possible answers was never the right one{only}, so hearing and a habit "
            "of giving another answer cannot be told apart."
        )
    return ""
