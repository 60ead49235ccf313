"""Experiments made of sound: stages that were never built, to find out what is heard.

*Region swaps* take one region of a stage from another stage. *Partial steps* go part of the way
from one stage to another. *Corrected copies* set one region of a stage to the target. All are
stages like any other and marked synthetic. :func:`resolution_v_design` combines region swaps
into 16 runs that separate every region's effect and every pair's interaction.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stimuli.figures.deviation import REGIONS, compare_with_target
from stimuli.files.errors import InputError
from stimuli.filters.stages import StageSpec
from stimuli.response.measured import StageResponse
from stimuli.response.target import Target

__all__ = [
    "FIVE_REGIONS",
    "SWAP_REGIONS",
    "DesignRun",
    "corrected_copy",
    "partial_steps",
    "region_swap",
    "region_weight",
    "resolution_v_design",
]

Floats = NDArray[np.float64]

CROSSOVER_OCTAVES = 0.28
"""Width of the smooth change at a region's edge: a little less than a 1/3-octave band, so that
band levels change in whole bands."""

FIVE_REGIONS: dict[str, tuple[float, float]] = {
    "deep bass": REGIONS["deep bass"],
    "bass": REGIONS["bass"],
    "low mid": REGIONS["low mid"],
    "mid": REGIONS["mid"],
    "presence and treble": (REGIONS["presence"][0], REGIONS["treble"][1]),
}
"""The five regions of the 16-run design: presence and treble are taken together."""

SWAP_REGIONS: dict[str, tuple[float, float]] = {**REGIONS, **FIVE_REGIONS}
"""Every region that can be swapped or corrected by name."""


def region_weight(f_hz: Floats, low_hz: float, high_hz: float) -> Floats:
    """Weight of a region: 1 inside, 0 outside, raised-cosine change at either edge.

    Adjacent regions' weights add up to 1 everywhere. The outermost regions of the audio range
    have no outer edge.

    Parameters
    ----------
    f_hz : ndarray
        Frequencies in Hz.
    low_hz, high_hz : float
        Edges of the region; half weight there.
    """
    lowest = min(low for low, _ in REGIONS.values())
    highest = max(high for _, high in REGIONS.values())
    rise = np.ones_like(f_hz) if low_hz <= lowest else _step(f_hz, low_hz)
    fall = np.zeros_like(f_hz) if high_hz >= highest else _step(f_hz, high_hz)
    return np.asarray(rise - fall)


def _step(f_hz: Floats, edge_hz: float) -> Floats:
    x = np.clip(np.log2(f_hz / edge_hz) / CROSSOVER_OCTAVES, -0.5, 0.5)
    return np.asarray(0.5 + 0.5 * np.sin(np.pi * x))


def _together(first: StageResponse, second: StageResponse) -> tuple[Floats, Floats, Floats]:
    """Both stages aligned over 200 Hz to 5 kHz, on one grid over the range both have."""
    grid = first.f_hz if len(first.f_hz) >= len(second.f_hz) else second.f_hz
    low = max(first.f_hz[0], second.f_hz[0]) * 0.999
    high = min(first.f_hz[-1], second.f_hz[-1]) * 1.001
    grid = grid[(grid >= low) & (grid <= high)]
    levels = [stage.level_at(grid) for stage in (first, second)]
    middle = (grid > 196) & (grid < 5100)
    if not middle.any():
        raise InputError(
            source=", ".join(first.sources + second.sources) or None,
            problem="the two stages share nothing between 200 Hz and 5 kHz",
            remedy="Measure both over the same range",
        )
    return grid, levels[0] - levels[0][middle].mean(), levels[1] - levels[1][middle].mean()


def _made(f_hz: Floats, level_db: Floats, parents: Sequence[StageResponse]) -> StageResponse:
    return StageResponse(
        f_hz=f_hz,
        level_db=level_db,
        spread_db=np.zeros(len(f_hz)),
        n_positions=min(p.n_positions for p in parents),
        valid_low_hz=max(p.valid_low_hz for p in parents),
        valid_high_hz=min(p.valid_high_hz for p in parents),
        sources=tuple(dict.fromkeys(s for p in parents for s in p.sources)),
        sha256=tuple(dict.fromkeys(s for p in parents for s in p.sha256)),
        is_band_data=all(p.is_band_data for p in parents),
    )


def region_swap(
    stage: StageSpec,
    donor: StageSpec,
    regions: Iterable[str],
    *,
    edges: Mapping[str, tuple[float, float]] = REGIONS,
    id: str | None = None,
) -> StageSpec:
    """Give a stage some regions of another.

    Parameters
    ----------
    stage, donor : StageSpec
        The stage, and the one whose regions it gets. Both are aligned over 200 Hz to 5 kHz.
    regions : iterable of str
        Names of ``edges``.
    edges : mapping of str to (low_hz, high_hz)
        Region edges; :data:`stimuli.figures.deviation.REGIONS` by default.
    id : str, optional
        Id of the new stage; made from the parts if None.

    Returns
    -------
    StageSpec
        Marked synthetic.

    Raises
    ------
    InputError
        If a region is not known.
    """
    names = list(regions)
    for name in names:
        _check_region(name, edges)
    f_hz, own, other = _together(stage.response, donor.response)
    weight = np.zeros(len(f_hz))
    for name in names:
        weight += region_weight(f_hz, *edges[name])
    words = f"{stage.id} with {', '.join(names) or 'nothing'} of {donor.id}"
    return StageSpec(
        id=id or _id_of(stage.id, *names, donor.id),
        label=words,
        response=_made(f_hz, own + weight * (other - own), [stage.response, donor.response]),
        synthetic=f"region swap: {words}",
    )


def _check_region(name: str, edges: Mapping[str, tuple[float, float]]) -> None:
    if name not in edges:
        raise InputError(
            where=f"region {name!r}",
            problem="there is no region of that name",
            remedy=f"Use one of: {', '.join(edges)}",
        )


def _id_of(*parts: str) -> str:
    return "-".join(part.replace(" ", "-") for part in parts)[:40].rstrip("-")


def partial_steps(
    start: StageSpec,
    end: StageSpec,
    *,
    shares: Sequence[float] = (0.0, 0.25, 0.5, 0.75, 1.0),
) -> tuple[StageSpec, ...]:
    """Go from one stage to another in steps of decibels.

    Parameters
    ----------
    start, end : StageSpec
        The stages; both are aligned over 200 Hz to 5 kHz.
    shares : sequence of float
        Parts of the way, 0 to 1.

    Returns
    -------
    tuple of StageSpec
        One a share, marked synthetic, with ids ``start-to-end-25`` and so on.

    Raises
    ------
    InputError
        If a share lies outside 0 to 1.
    """
    for share in shares:
        if not 0 <= share <= 1:
            raise InputError(
                where="partial steps",
                problem=f"{share!r} is not a part of the way",
                remedy="Give shares from 0 to 1",
            )
    f_hz, first, last = _together(start.response, end.response)
    return tuple(
        StageSpec(
            id=f"{_id_of(start.id, 'to', end.id)[:36]}-{round(100 * share)}",
            label=f"{100 * share:.0f} % of the way from {start.id} to {end.id}",
            response=_made(f_hz, first + share * (last - first), [start.response, end.response]),
            synthetic=f"partial step: {100 * share:g} % from {start.id} to {end.id} in dB",
        )
        for share in shares
    )


def corrected_copy(
    stage: StageSpec,
    target: Target,
    region: str,
    *,
    edges: Mapping[str, tuple[float, float]] = REGIONS,
) -> StageSpec:
    """Set one region of a stage to the target and leave the rest.

    Parameters
    ----------
    stage : StageSpec
        The stage.
    target : Target
        Aligned to the stage over 200 Hz to 5 kHz, as for the deviation.
    region : str
        Name of ``edges``.
    edges : mapping of str to (low_hz, high_hz)
        Region edges.

    Returns
    -------
    StageSpec
        Marked synthetic.

    Raises
    ------
    InputError
        If the region is not known.
    """
    _check_region(region, edges)
    response = stage.response
    offset = compare_with_target(response, target).offset_db
    wanted = target.level_at(response.f_hz) + offset
    weight = region_weight(response.f_hz, *edges[region])
    level = response.level_db + weight * (wanted - response.level_db)
    words = f"{stage.id} with {region} set to {target.name}"
    return StageSpec(
        id=_id_of(stage.id, region, "corrected"),
        label=words,
        response=_made(response.f_hz, level, [response]),
        synthetic=f"corrected copy: {words}",
    )


@dataclass(frozen=True, slots=True)
class DesignRun:
    """One run of a two-level design.

    Attributes
    ----------
    number : int
        From 1, in standard order.
    levels : dict of str to int
        -1 (first stage) or +1 (second stage) for each region.
    """

    number: int
    levels: dict[str, int]

    @property
    def taken(self) -> tuple[str, ...]:
        """Regions taken from the second stage."""
        return tuple(name for name, level in self.levels.items() if level > 0)


def resolution_v_design(regions: Sequence[str] = tuple(FIVE_REGIONS)) -> tuple[DesignRun, ...]:
    """Half of the 32 combinations of five regions: 2^(5-1), resolution V.

    Parameters
    ----------
    regions : sequence of str
        Five names.

    Returns
    -------
    tuple of DesignRun
        16 runs with defining relation I = ABCDE: the fifth region's level is the product of the
        other four. Main effects are confounded only with four-region interactions, two-region
        interactions only with three-region ones (Box, Hunter and Hunter, Statistics for
        Experimenters; from memory). Run 16 is the second stage as a whole; the first stage as a
        whole is not among the runs.

    Raises
    ------
    InputError
        If there are not exactly five different names.
    """
    names = list(regions)
    if len(names) != 5 or len(set(names)) != 5:
        raise InputError(
            where="design",
            problem=f"{len(set(names))} different regions given, five are needed",
            remedy="Join or split regions until there are five",
        )
    runs = []
    for number, reverse in enumerate(itertools.product((-1, 1), repeat=4), start=1):
        four = reverse[::-1]  # standard order: the first factor changes fastest
        fifth = four[0] * four[1] * four[2] * four[3]
        runs.append(DesignRun(number, dict(zip(names, (*four, fifth), strict=True))))
    return tuple(runs)
