"""Stages to render: measured, made or anchors, and the filters they get."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve

from stimuli.files.errors import InputError
from stimuli.filters.anchors import ANCHORS_HZ, anchor_filter
from stimuli.filters.design import (
    FilterChoices,
    StageFilter,
    design_pair,
    design_stage_filter,
    impulse_filter,
)
from stimuli.response.measured import StageResponse

__all__ = ["StageFilters", "StageSpec", "anchor_stage", "make_filters"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class StageSpec:
    r"""A stage to render.

    Attributes
    ----------
    id, label : str
        As in the study.
    response : StageResponse
        What was measured; of the left side if ``right`` is given.
    right : StageResponse, optional
        The right side, for a filter of its own.
    impulse : ndarray, shape (frames,), optional
        A measured impulse response at the study's rate, used instead of a designed filter.
    synthetic : str
        For a stage that was never built: how it was made.
    anchor : {"", "low", "mid"}
        For a rating anchor (:mod:`stimuli.filters.anchors`): the stage ``anchor_of`` through a
        low-pass, at that stage's gain and not matched in loudness, as ITU-R BS.1534-3 has it.
    anchor_of : str
        Id of the stage that the anchor is a copy of.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from stimuli import StageSpec, read_stage
    >>> table = Path(tempfile.mkdtemp(), "damped.csv")
    >>> rows = [f"{1000 * 2**k}, 70" for k in range(-5, 5)]
    >>> _ = table.write_text("\n".join(rows))
    >>> StageSpec("damped", "Wall damping", read_stage(table)).response.n_positions
    1
    """

    id: str
    label: str
    response: StageResponse
    right: StageResponse | None = None
    impulse: Floats | None = None
    synthetic: str = ""
    anchor: Literal["", "low", "mid"] = ""
    anchor_of: str = ""


def anchor_stage(reference: StageSpec, which: Literal["low", "mid"]) -> StageSpec:
    """Make the anchor of a stage, to be rendered beside it.

    Parameters
    ----------
    reference : StageSpec
        The stage that serves as the reference of a rating test.
    which : {"low", "mid"}
        3.5 kHz or 7 kHz.

    Returns
    -------
    StageSpec
        With id ``anchor-low`` or ``anchor-mid``, marked synthetic.
    """
    return replace(
        reference,
        id=f"anchor-{which}",
        label=f"{ANCHORS_HZ[which] / 1000:g} kHz anchor",
        synthetic=f"anchor: {reference.id} low-passed at {ANCHORS_HZ[which] / 1000:g} kHz",
        anchor=which,
        anchor_of=reference.id,
    )


@dataclass(frozen=True, slots=True, eq=False)
class StageFilters:
    """A stage's filter or pair of filters, with the low-pass of an anchor."""

    left: StageFilter
    right: StageFilter | None
    lowpass: Floats | None = None

    @property
    def taps(self) -> Floats:
        """Impulse response, (n_taps,) or (n_taps, 2)."""
        taps = self.left.taps
        if self.right is not None:
            taps = np.stack([self.left.taps, self.right.taps], axis=1)
        if self.lowpass is None:
            return taps
        low = self.lowpass if taps.ndim == 1 else self.lowpass[:, None]
        return np.asarray(fftconvolve(taps, low, axes=0))

    @property
    def delay_frames(self) -> int:
        """Frames by which it delays sound."""
        return self.left.delay_frames + (0 if self.lowpass is None else len(self.lowpass) // 2)

    @property
    def phase(self) -> str:
        """Kind of phase, as noted in the manifest."""
        return self.left.phase if self.lowpass is None else "mixed"


def make_filters(
    stages: Sequence[StageSpec],
    rate: int,
    playback: StageResponse | None,
    choices: FilterChoices,
    made_one: Callable[[str], None],
) -> list[StageFilters]:
    """Design the filters of all stages, on all cores.

    Parameters
    ----------
    stages : sequence of StageSpec
        The stages.
    rate, playback, choices
        As for :func:`stimuli.filters.design.design_stage_filter`.
    made_one : callable
        Called with a few words after each stage, in order.

    Raises
    ------
    InputError
        See :func:`stimuli.filters.design.design_stage_filter`.
    """
    made = []
    with ThreadPoolExecutor(min(8, len(stages))) as pool:
        futures = [pool.submit(_make, stage, rate, playback, choices) for stage in stages]
        for stage, future in zip(stages, futures, strict=True):
            made.append(future.result())
            made_one(f"filter for {stage.id}")
    return made


def _make(
    stage: StageSpec, rate: int, playback: StageResponse | None, choices: FilterChoices
) -> StageFilters:
    made = _make_plain(stage, rate, playback, choices)
    return replace(made, lowpass=anchor_filter(stage.anchor, rate)) if stage.anchor else made


def _make_plain(
    stage: StageSpec, rate: int, playback: StageResponse | None, choices: FilterChoices
) -> StageFilters:
    if stage.impulse is not None:
        return StageFilters(impulse_filter(stage.impulse, rate), None)
    if stage.right is not None:
        pair = design_pair(
            stage.response, stage.right, rate=rate, playback=playback, choices=choices
        )
        return StageFilters(*pair)
    return StageFilters(
        design_stage_filter(stage.response, rate=rate, playback=playback, choices=choices), None
    )


def check_anchors(stages: Sequence[StageSpec]) -> None:
    """Refuse an anchor without its reference."""
    plain = {s.id for s in stages if not s.anchor}
    for stage in stages:
        if stage.anchor and stage.anchor_of not in plain:
            raise InputError(
                where=f"stage {stage.id}",
                problem=f"it is the anchor of {stage.anchor_of!r}, which is not in the set",
                remedy="Render the anchor together with its reference",
            )


def gain_setters(stages: Sequence[StageSpec]) -> list[int]:
    """Index of the stage whose loudness sets each stage's gain: its own, or the anchor's parent."""
    ids = [stage.id for stage in stages]
    return [ids.index(s.anchor_of) if s.anchor else i for i, s in enumerate(stages)]
