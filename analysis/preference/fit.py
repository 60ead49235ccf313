"""What do they prefer? The ``preference`` block of the analysis."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analysis.models.bootstrap import WorthDraws, resample_worths
from analysis.models.bradley_terry import PairModelFit, fit_pair_model, order_identified
from analysis.models.places import Places, places_of
from analysis.panels.panel import (
    FEWEST_LISTENERS,
    listener_weights,
)
from analysis.panels.tails import t_above
from analysis.preference.contrast import contrast_test
from analysis.tables.counts import PairCounts, components, pair_counts
from analysis.tables.trials import TrialTable
from stimuli.files.errors import InputError

__all__ = [
    "Preference",
    "WorthDifference",
    "fit_preference",
    "preference_of",
    "worth_difference",
]


@dataclass(frozen=True, slots=True)
class Preference:
    """Paired answers of a table and the models fitted to them.

    Every listener counts once: the fits behind worths, claims and gains weight each listener's
    answers to the same total (:func:`analysis.panels.panel.listener_weights`), so that their
    estimand is the mean over listeners. `ordinary` is the fit in which every answer counts once.
    With equal visits and balanced places the two are one.

    Attributes
    ----------
    counts : PairCounts
        All paired answers.
    groups : list of list of str
        Stages linked by comparisons, largest group first.
    fits : list of PairModelFit
        One per group with at least two stages; with an order effect where the places of some pair
        were not balanced.
    main : PairModelFit or None
        The fit of the reference's group.
    order : PairModelFit or None
        The ordinary fit with order effect, where it can be estimated.
    draws : WorthDraws or None
        Resampled panels of the main fit; None with fewer listeners than any sentence about people
        needs (:data:`analysis.panels.panel.FEWEST_LISTENERS`).
    ordinary : PairModelFit or None
        The main fit with every answer counting once, without order effect.
    order_listeners : PairModelFit or None
        `order` with every listener counting once.
    places : tuple of str
        For each of `fits`: ``"balanced"``, ``"allowed for"``, or ``"confounded"`` where a liking
        and a habit of place cannot be told apart (:mod:`analysis.models.places`).
    """

    counts: PairCounts
    groups: list[list[str]]
    fits: list[PairModelFit]
    main: PairModelFit | None
    order: PairModelFit | None
    draws: WorthDraws | None
    ordinary: PairModelFit | None = None
    order_listeners: PairModelFit | None = None
    places: tuple[Places, ...] = ()
    # Claims, their retests and simulated studies ask for the same differences again and again.
    _differences: dict[tuple[str, str, float], WorthDifference | None] = field(
        init=False, repr=False, compare=False, default_factory=dict
    )
    _informations: dict[tuple[str, ...], _Information] = field(
        init=False, repr=False, compare=False, default_factory=dict
    )

    def fit_with(self, *stages: str) -> PairModelFit | None:
        """Return the fit that holds all these stages, or None."""
        return next((fit for fit in self.fits if set(stages) <= set(fit.stages)), None)

    def places_with(self, *stages: str) -> Places:
        """Return how the places were used in the comparisons behind the fit of these stages."""
        found = zip(self.fits, self.places, strict=False)
        return next((p for fit, p in found if set(stages) <= set(fit.stages)), "balanced")


def fit_preference(
    table: TrialTable,
    *,
    reference: str | None = None,
    n_draws: int = 10_000,
    seed: int = 1,
) -> Preference | None:
    """Fit the paired trials of a table, every listener counting once.

    Parameters
    ----------
    table : TrialTable
    reference : str, optional
        Stage with log-worth 0; the last in sorted order when not given.
    n_draws, seed : int, optional
        Resampling of listeners.

    Returns
    -------
    Preference or None
        None without paired trials.

    Raises
    ------
    InputError
        The reference is not among the compared stages.

    References
    ----------
    * Bradley and Terry, Biometrika 39, 324 (1952); ties by Davidson, JASA 65, 317 (1970).

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis import fit_preference, trials_from
    >>> rows = [
    ...     {"listener": f"P{person}", "stage_a": a, "stage_b": b, "answer": said}
    ...     for person in range(8)
    ...     for a, b, said in (
    ...         ("damped", "as-built", "damped"),
    ...         ("as-built", "damped", "damped"),
    ...         ("damped", "as-built", "damped"),
    ...         ("as-built", "damped", "as-built"),
    ...     )
    ... ]
    >>> fit = fit_preference(trials_from(pd.DataFrame(rows)), reference="as-built", n_draws=0)
    >>> fit.main.stages, [round(float(worth), 3) for worth in fit.main.log_worth]
    (('as-built', 'damped'), [0.0, 1.099])
    """
    frame = table.of("paired")
    if frame.empty:
        return None
    counts = pair_counts(frame)
    if reference is not None and reference not in counts.stages:
        raise InputError(
            source=table.source,
            where="reference",
            problem=f"{reference!r} is not a stage of the paired trials",
            remedy=f"Choose one of: {', '.join(counts.stages)}",
        )
    return preference_of(counts, reference=reference, n_draws=n_draws, seed=seed)


def preference_of(
    counts: PairCounts,
    *,
    reference: str | None = None,
    n_draws: int = 10_000,
    seed: int = 1,
    every_answer: bool = False,
) -> Preference:
    """Fit counted answers, every listener counting once.

    Parameters
    ----------
    counts : PairCounts
        With the positions kept.
    reference : str, optional
        A compared stage; the last in sorted order when not given.
    n_draws, seed : int, optional
        Resampling of listeners.
    every_answer : bool, optional
        Let every answer count once in place of every listener: what the verdicts would be for
        that estimand, to be shown beside them.

    Returns
    -------
    Preference
    """
    reference = counts.stages[-1] if reference is None else reference
    groups = components(counts)
    fits: list[PairModelFit] = []
    places: list[Places] = []
    main, ordinary, order, order_listeners, draws = None, None, None, None, None
    for group in groups:
        part = counts.only(group)
        weights = np.ones(part.n_listeners) if every_answer else listener_weights(part.totals)
        inside = reference in part.stages
        own = reference if inside else None
        place = places_of(part.weighted(weights))
        sided = place == "allowed for"
        fit = fit_pair_model(part, reference=own, order=sided, weights=weights)
        fits.append(fit)
        places.append(place)
        if not inside:
            continue
        main = fit
        alike = bool(np.all(weights == 1))
        ordinary = fit if alike and not sided else fit_pair_model(part, reference=reference)
        if order_identified(part):
            order = fit if alike and sided else fit_pair_model(part, reference=own, order=True)
            order_listeners = order
            if not alike:
                order_listeners = (
                    fit
                    if sided
                    else fit_pair_model(part, reference=own, order=True, weights=weights)
                )
        if fit.n_listeners >= FEWEST_LISTENERS and n_draws > 0:
            draws = resample_worths(part, fit, weights=weights, n_draws=n_draws, seed=seed)
    names = [[counts.stages[k] for k in group] for group in groups]
    return Preference(
        *(counts, names, fits, main, order, draws, ordinary, order_listeners, tuple(places))
    )


@dataclass(frozen=True, slots=True)
class WorthDifference:
    """Log-worth of one stage minus that of another, tested between listeners.

    Attributes
    ----------
    estimate, se : float
        Logits, every listener counting once; `se` is clustered on listeners with the factor
        G/(G-1) and kept from collapsing by
        :func:`analysis.preference.contrast.floored_error`. NaN for one listener.
    statistic, df, p_value : float
        Two-sided t of :func:`analysis.panels.panel.logit_test`.
    ci_low, ci_high : float
        The interval that agrees with the test, logits.
    share : float
        Chance that the first is preferred, by the model.
    n_trials, n_listeners : int
        Behind the fit.
    n_direct : int
        Trials between these two.
    n_bearing : int
        How many listeners' worth of answers the difference rests on: the effective number
        (Σh)²/Σh² of their shares h in its variance, rounded up. Below `n_listeners` where only
        some of them ever compared these stages, directly or through others.
    """

    estimate: float
    se: float
    statistic: float
    df: float
    p_value: float
    ci_low: float
    ci_high: float
    share: float
    n_trials: int
    n_listeners: int
    n_direct: int
    n_bearing: int

    @property
    def p_first(self) -> float:
        """One-sided p-value against the first being preferred no more than the second."""
        return float(t_above(self.statistic, self.df))


def worth_difference(
    preference: Preference, first: str, second: str, *, confidence: float = 0.95
) -> WorthDifference | None:
    """Compare two stages; None when no chain of comparisons links them."""
    key = (first, second, confidence)
    if key not in preference._differences:
        preference._differences[key] = _worth_difference(preference, first, second, confidence)
    return preference._differences[key]


def _worth_difference(
    preference: Preference, first: str, second: str, confidence: float
) -> WorthDifference | None:
    fit = preference.fit_with(first, second)
    if fit is None:
        return None
    found = contrast_test(fit, {first: 1.0, second: -1.0}, confidence=confidence)
    if fit.stages not in preference._informations:
        preference._informations[fit.stages] = _information(preference.counts, fit)
    information = preference._informations[fit.stages]
    i, j = fit.stages.index(first), fit.stages.index(second)
    return WorthDifference(
        estimate=found.estimate,
        se=found.se,
        statistic=found.statistic,
        df=found.df,
        p_value=found.p_value,
        ci_low=found.ci_low,
        ci_high=found.ci_high,
        share=float(1 / (1 + np.exp(-found.estimate))),
        n_trials=fit.n_trials,
        n_listeners=fit.n_listeners,
        n_direct=_direct_trials(preference.counts, first, second),
        n_bearing=information.listeners_behind(i, j),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Information:
    """What each pair of stages tells of their worths, and which listeners told it.

    Attributes
    ----------
    first, second : numpy.ndarray of int, shape (n_pairs,)
    spread : numpy.ndarray, shape (n_pairs,)
        Variance of one answer.
    each : numpy.ndarray, shape (n_listeners, n_pairs)
        Weighted answers.
    weights : numpy.ndarray, shape (n_listeners,)
    potential : numpy.ndarray, shape (n_stages, n_stages)
        Generalised inverse of the information, cells taken as a graph of stages.
    """

    first: np.ndarray
    second: np.ndarray
    spread: np.ndarray
    each: np.ndarray
    weights: np.ndarray
    potential: np.ndarray

    def listeners_behind(self, i: int, j: int) -> int:
        """Return the effective number of listeners behind a difference of worths."""
        potential = self.potential[:, i] - self.potential[:, j]
        influence = (potential[self.first] - potential[self.second]) ** 2 * self.spread
        h = self.weights * (self.each @ influence)
        return int(np.ceil(h.sum() ** 2 / max(float((h**2).sum()), 1e-300) - 1e-6))


def _information(counts: PairCounts, fit: PairModelFit) -> _Information:
    part = counts.only([counts.stages.index(name) for name in fit.stages]).unordered()
    gap = fit.log_worth[part.first] - fit.log_worth[part.second]
    spread = 1 / (2 + np.exp(gap) + np.exp(-gap))
    total = part.counts.sum(axis=(0, 2))
    size = len(fit.stages)
    weights = listener_weights(part.totals)
    each = part.counts.sum(axis=2) * weights[:, None]
    laplacian = np.zeros((size, size))
    value = spread * each.sum(axis=0) * (total > 0)
    np.add.at(laplacian, (part.first, part.first), value)
    np.add.at(laplacian, (part.second, part.second), value)
    np.add.at(laplacian, (part.first, part.second), -value)
    np.add.at(laplacian, (part.second, part.first), -value)
    potential = np.linalg.pinv(laplacian, hermitian=True)
    return _Information(part.first, part.second, spread, each, weights, potential)


def _direct_trials(counts: PairCounts, first: str, second: str) -> int:
    i, j = counts.stages.index(first), counts.stages.index(second)
    first_i, second_i = counts.first == i, counts.second == i
    cell = (first_i & (counts.second == j)) | (second_i & (counts.first == j))
    return round(float(counts.counts[:, cell].sum()))
