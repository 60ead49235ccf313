"""A world in which the declared claims are true, at a stated size: what a plan is tried on.

Claims share stages, so their worths are found together: of all worths that give every claim at
least its size, those are taken that lie nearest to each other (without a metric) or nearest to a
draw that goes with the metric. That is a projection onto linear constraints, solved exactly as
least distance programming (Lawson & Hanson 1974, Solving Least Squares Problems, ch. 23).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq, nnls
from scipy.special import expit

from analysis.claims.finding import Claim
from analysis.claims.grammar import parse_claim
from analysis.tables.stages import StageTable
from analysis.upgrade.lattice import make_lattice

__all__ = ["ClaimConflict", "Sizes", "Supposed", "gap_of", "mean_share", "suppose"]

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(60)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
_PREFERENCES = ("prefer", "most", "most of")
Pair = frozenset[str]


@dataclass(frozen=True, slots=True)
class Sizes:
    """How large everything is that claims say, and how much listeners differ.

    Attributes
    ----------
    share : float
        Share of choices for the better stage, averaged over listeners: of "prefer",
        "most" and "step", and the typical share between two stages where a metric orders them.
    right : float or None
        Share of right answers where a difference is heard; as `share` when None.
    correlation : float
        Of a metric that orders the stages with their true worths, over stages.
    spread_right : float
        SD of P(correct) over listeners, beta distributed.
    spread_taste : float
        SD over listeners of every stage's log-worth, logits, normal.
    ties : float
        Share of ties between equals, where ties may be answered (Davidson's model).
    controls : float
        Share of obvious controls answered right.

    Raises
    ------
    ValueError
        A share, a spread or a correlation outside its range.

    Examples
    --------
    >>> from analysis import Sizes
    >>> Sizes(share=0.65).heard
    0.65
    """

    share: float = 0.7
    right: float | None = None
    correlation: float = 0.9
    spread_right: float = 0.1
    spread_taste: float = 0.5
    ties: float = 0.1
    controls: float = 0.98

    def __post_init__(self) -> None:
        if not 0 < self.share < 1 or not 0 < self.heard < 1:
            raise ValueError(f"shares must lie between 0 and 1, got {self.share}, {self.heard}")
        if self.spread_right < 0 or self.spread_taste < 0 or not 0 <= self.ties < 1:
            raise ValueError("spreads must not be negative, and ties lie in [0, 1)")
        if not -1 <= self.correlation <= 1 or not 0 <= self.controls <= 1:
            raise ValueError("a correlation lies in [-1, 1], a share of controls in [0, 1]")

    @property
    def heard(self) -> float:
        """Share right where a difference is heard."""
        return self.share if self.right is None else self.right

    @property
    def gap(self) -> float:
        """Difference of log-worths that gives the share."""
        return gap_of(self.share, self.spread_taste)


def mean_share(gap: float, spread: float) -> float:
    """Return the share of choices for the first of two stages, averaged over listeners.

    Parameters
    ----------
    gap : float
        Difference of the log-worths in the middle of the panel.
    spread : float
        SD over listeners of each stage's log-worth.
    """
    return float(expit(gap + np.sqrt(2.0) * spread * _NODES) @ _WEIGHTS)


@lru_cache(maxsize=256)
def gap_of(share: float, spread: float) -> float:
    """Return the difference of log-worths behind a mean share; see :func:`mean_share`."""
    if share == 0.5:
        return 0.0
    return float(brentq(lambda gap: mean_share(gap, spread) - share, -60, 60))


@dataclass(frozen=True, slots=True)
class ClaimConflict:
    """A claim that cannot be true together with others at the stated size.

    Attributes
    ----------
    claim : str
    against : tuple of str
        Claims that stand before it and rule it out.
    """

    claim: str
    against: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Bounds:
    """Rows of ``matrix @ worth >= least``."""

    matrix: np.ndarray
    least: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Supposed:
    """What is true of every group of listeners.

    Attributes
    ----------
    sizes : Sizes
    stages : tuple of str
        Stages with a worth.
    right : mapping of str to mapping
        By group and pair: P(correct) where a difference is heard. Elsewhere everybody guesses.
    one : mapping of str to mapping
        The same of single listeners whom a claim names.
    conflicts : tuple of ClaimConflict
        Claims left out of this world.
    """

    sizes: Sizes
    stages: tuple[str, ...]
    right: Mapping[str, Mapping[Pair, float]]
    one: Mapping[str, Mapping[Pair, float]]
    conflicts: tuple[ClaimConflict, ...]
    bounds: Mapping[str, _Bounds] = field(repr=False)
    metrics: Mapping[str, np.ndarray] = field(repr=False)

    def worth(self, group: str, rng: np.random.Generator) -> np.ndarray:
        """Return log-worths in the middle of a group, shape ``(n_stages,)``, mean 0.

        They vary from draw to draw only where a metric goes with them less than perfectly.
        """
        bounds = self.bounds[group]
        start = self._along_metrics(self.metrics[group], bounds, rng)
        found = _nearest(start, bounds)
        assert found is not None  # conflicts were left out
        return np.asarray(found - found.mean())

    def _along_metrics(
        self, metrics: np.ndarray, bounds: _Bounds, rng: np.random.Generator
    ) -> np.ndarray:
        n = len(self.stages)
        scatter = rng.standard_normal(n)
        if not len(metrics):
            return np.zeros(n)
        z = _standard(metrics.sum(axis=0))
        rest = scatter - scatter.mean()
        rest = _standard(rest - z * (rest @ z) / n)
        rho = self.sizes.correlation
        # Two stages picked at random then differ by the stated share, root mean square.
        size = self.sizes.gap / np.sqrt(2.0)
        ways = [
            size * (sign * rho * z + np.sqrt(1 - rho**2) * rest)
            for sign in ((1, -1) if len(bounds.least) else (1,))
        ]
        moved = [np.linalg.norm(_moved(way, bounds)) for way in ways]
        return ways[int(np.argmin(moved))]


def _moved(start: np.ndarray, bounds: _Bounds) -> np.ndarray:
    found = _nearest(start, bounds)
    return np.full_like(start, np.inf) if found is None else found - start


def _standard(values: np.ndarray) -> np.ndarray:
    """Return values with mean 0 and SD 1; zeros where they do not vary."""
    centred = values - values.mean()
    sd = float(np.sqrt(np.mean(centred**2)))
    return np.asarray(centred / sd if sd > 1e-12 else np.zeros_like(centred))


def _nearest(start: np.ndarray, bounds: _Bounds) -> np.ndarray | None:
    """Return the point nearest to a start that keeps the bounds; None where there is none."""
    least = bounds.least - bounds.matrix @ start
    if not len(least) or (least <= 1e-12).all():
        return start
    stacked = np.vstack([bounds.matrix.T, least])
    target = np.zeros(len(stacked))
    target[-1] = 1.0
    weights, _ = nnls(stacked, target)
    residual = stacked @ weights - target
    if np.linalg.norm(residual) < 1e-7:
        return None
    return np.asarray(start - residual[:-1] / residual[-1])


def suppose(
    claims: Sequence[str],
    sizes: Sizes,
    *,
    compared: Sequence[str],
    groups: Sequence[str] = ("",),
    stages: StageTable | None = None,
) -> Supposed:
    """Find a world in which claims are true.

    Parameters
    ----------
    claims : sequence of str
        Sentences of the grammar.
    sizes : Sizes
    compared : sequence of str
        Stages of the paired trials; may be empty.
    groups : sequence of str, optional
        Groups that listeners are in, "" for none. What is claimed of everybody holds in each.
    stages : StageTable, optional
        Costs for "step", values for "metric"; a claim that misses them supposes nothing.

    Returns
    -------
    Supposed
        A claim that the ones before it rule out is left out and listed in ``conflicts``.

    Raises
    ------
    InputError
        A claim is not of the grammar.
    """
    parsed = [parse_claim(text) for text in claims]
    maker = _Maker(sizes, tuple(compared), stages)
    found = {group: maker.world([c for c in parsed if c.who in (None, group)]) for group in groups}
    one: dict[str, dict[Pair, float]] = {}
    for claim in parsed:
        if claim.kind == "one hears":
            one.setdefault(claim.names[0], {})[frozenset(claim.stages)] = sizes.heard
    conflicts = [conflict for world in found.values() for conflict in world.conflicts]
    return Supposed(
        sizes=sizes,
        stages=tuple(compared),
        right={group: world.right for group, world in found.items()},
        one=one,
        conflicts=tuple(dict.fromkeys(conflicts)),
        bounds={group: world.bounds for group, world in found.items()},
        metrics={group: world.metrics for group, world in found.items()},
    )


@dataclass(frozen=True, slots=True)
class _World:
    right: dict[Pair, float]
    bounds: _Bounds
    metrics: np.ndarray
    conflicts: tuple[ClaimConflict, ...]


@dataclass(frozen=True, slots=True)
class _Maker:
    """Turns claims into what they ask of worths and right answers."""

    sizes: Sizes
    stages: tuple[str, ...]
    table: StageTable | None

    def world(self, claims: Sequence[Claim]) -> _World:
        right: dict[Pair, float] = {}
        heard_in: dict[Pair, Claim] = {}
        kept: list[tuple[Claim, _Bounds]] = []
        conflicts = []
        for claim in claims:
            bounds = self._bounds(claim)
            against = _ruled_out(bounds, kept, len(self.stages))
            if claim.kind in ("hear", "similar"):
                pair = frozenset(claim.stages)
                earlier = heard_in.setdefault(pair, claim)
                if earlier.kind != claim.kind:
                    against = [earlier]
                elif claim.kind == "hear" or against:
                    right[pair] = self.sizes.heard
            if against:
                conflicts.append(ClaimConflict(claim.text, tuple(c.text for c in against)))
                continue
            kept.append((claim, bounds))
        whole = _joined([bounds for _, bounds in kept], len(self.stages))
        return _World(right, whole, self._metrics(claims), tuple(conflicts))

    def _bounds(self, claim: Claim) -> _Bounds:
        n = len(self.stages)
        nothing = _Bounds(np.zeros((0, n)), np.zeros(0))
        named = claim.stages
        if not set(named) <= set(self.stages):
            return nothing
        unit = np.eye(n)
        place = {name: unit[k] for k, name in enumerate(self.stages)}
        if claim.kind in _PREFERENCES:
            rivals = named[1:] or tuple(s for s in self.stages if s != named[0])
            rows = np.array([place[named[0]] - place[rival] for rival in rivals])
            return _Bounds(rows.reshape(-1, n), np.full(len(rivals), self.sizes.gap))
        if claim.kind == "similar":
            row = place[named[0]] - place[named[1]]
            return _Bounds(np.array([row, -row]), np.zeros(2))
        row = self._step(claim, place) if claim.kind == "step" else None
        return nothing if row is None else _Bounds(row[None, :], np.array([self.sizes.gap]))

    def _step(self, claim: Claim, place: Mapping[str, np.ndarray]) -> np.ndarray | None:
        """Return the contrast of two first steps, on the scale of a difference of log-worths."""
        lattice = None if self.table is None else make_lattice(self.table, self.stages)
        if lattice is None or lattice.baseline in claim.stages:
            return None
        i, j = claim.stages
        base = lattice.baseline
        price = dict.fromkeys((i, j), 1.0)
        if claim.names:
            table = lattice.cost if claim.names[0] == "cost" else lattice.labour_h
            price = {stage: table[stage] - table[base] for stage in (i, j)}
        if not all(np.isfinite(value) and value > 0 for value in price.values()):
            return None
        gains = [(place[stage] - place[base]) / price[stage] for stage in (i, j)]
        row = gains[0] - gains[1]
        return np.asarray(row / np.abs(row).max())

    def _metrics(self, claims: Sequence[Claim]) -> np.ndarray:
        """Return claimed metrics, standardised and turned so that they point one way."""
        found: list[np.ndarray] = []
        for claim in claims:
            if claim.kind != "orders" or self.table is None:
                continue
            column = f"metric_{claim.names[0]}"
            frame = self.table.frame.set_index("stage")
            if column not in frame or not set(self.stages) <= set(frame.index):
                continue
            value = frame.loc[list(self.stages), column].to_numpy(dtype=float)
            known = np.isfinite(value)
            if not known.any():
                continue
            z = _standard(np.where(known, value, value[known].mean()))
            # Less of a deviation is better, where nothing else is claimed.
            sign = -1.0 if not found or z @ found[0] == 0 else float(np.sign(z @ found[0]))
            found.append(sign * z)
        return np.array(found).reshape(len(found), len(self.stages))


def _joined(parts: Sequence[_Bounds], n: int) -> _Bounds:
    if not parts:
        return _Bounds(np.zeros((0, n)), np.zeros(0))
    return _Bounds(
        np.vstack([part.matrix for part in parts]), np.concatenate([part.least for part in parts])
    )


def _ruled_out(new: _Bounds, kept: Sequence[tuple[Claim, _Bounds]], n: int) -> list[Claim]:
    """Return the earlier claims that a new one contradicts, as few as do; none where it fits."""

    def fits(parts: Sequence[tuple[Claim, _Bounds]]) -> bool:
        whole = _joined([*(bounds for _, bounds in parts), new], n)
        return _nearest(np.zeros(n), whole) is not None

    if not len(new.least) or fits(kept):
        return []
    against = list(kept)
    for part in list(against):
        fewer = [other for other in against if other is not part]
        if not fits(fewer):
            against = fewer
    return [claim for claim, _ in against]
