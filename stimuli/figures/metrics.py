"""Single figures of a stage with what they rest on, and whether two of them really differ.

A metric value carries its grid, valid band, target and repeat standard deviation, so that a
difference smaller than twice the repeat SD is read as "not resolved" and not as a finding.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stimuli.figures.deviation import REGIONS, Deviation, compare_with_target
from stimuli.figures.equal_loudness import loudness_weighted_difference
from stimuli.figures.excitation import (
    COMPONENT_HZ,
    EarSpectrum,
    ExcitationDifference,
    erb_n_hz,
    excitation_difference,
)
from stimuli.figures.reach import bandwidth
from stimuli.files.errors import InputError
from stimuli.response.measured import Response, StageResponse, power_average
from stimuli.response.target import Target

__all__ = [
    "METRICS",
    "STAGE_METRICS",
    "Difference",
    "MetricValue",
    "compare_metric",
    "measure_metrics",
    "narrow_band_deviation_db",
    "programme_metrics",
    "stage_metrics",
]

Floats = NDArray[np.float64]

RESOLVED_SDS = 2.0
"""A difference counts from this many repeat SDs on."""


@dataclass(frozen=True, slots=True)
class MetricValue:
    """One figure of one stage.

    Attributes
    ----------
    name, unit : str
        Which metric, in which unit.
    value : float
        The figure.
    repeat_sd : float or None
        Its standard deviation over repeats, None if nothing was repeated.
    repeat_kind : str
        How the SD was found: ``"repeated measurements"``, ``"jackknife over positions"`` or
        ``"none"``.
    n_repeats : int
        Repeats or positions.
    grid, smoothing : str
        Frequency grid and smoothing under the figure.
    valid_low_hz, valid_high_hz : float
        Band used.
    target_sha256 : str
        Target compared with.
    """

    name: str
    unit: str
    value: float
    repeat_sd: float | None
    repeat_kind: str
    n_repeats: int
    grid: str
    smoothing: str
    valid_low_hz: float
    valid_high_hz: float
    target_sha256: str


@dataclass(frozen=True, slots=True)
class Difference:
    """Difference of a metric between two stages.

    Attributes
    ----------
    value : float
        First minus second.
    limit : float or None
        Twice the pooled repeat SD; None where it is not known.
    resolved : bool or None
        Whether the difference exceeds the limit; None where that cannot be said.
    words : str
        The finding.
    """

    value: float
    limit: float | None
    resolved: bool | None
    words: str


def narrow_band_deviation_db(dev: Deviation) -> float:
    """Mean magnitude of the deviation from its own running mean over one octave.

    Three adjacent 1/3-octave bands at a time: what is left after slopes and broad shelves are
    taken out. The idea is that of the narrow-band deviation of Olive (AES 116, 2004, paper
    6113), on coarser bands because seats are measured in 1/3 octaves; the figures do not
    compare with published ones.
    """
    d = dev.deviation_db
    if len(d) < 3:
        return float("nan")
    windows = np.lib.stride_tricks.sliding_window_view(d, 3)
    return float(np.abs(windows - windows.mean(axis=1, keepdims=True)).mean())


def _region(name: str) -> Callable[[Deviation], float]:
    def value(dev: Deviation) -> float:
        mean = dev.regions[name]
        return float("nan") if mean is None else mean

    return value


METRICS: dict[str, tuple[str, Callable[[Deviation], float]]] = {
    "deviation_sd_db": ("dB", lambda d: d.sd_db),
    "deviation_mean_abs_db": ("dB", lambda d: d.mean_abs_db),
    "tilt_db_per_octave": ("dB/octave", lambda d: d.tilt_db_per_octave),
    "narrow_band_db": ("dB", narrow_band_deviation_db),
    **{f"{name.replace(' ', '_')}_db": ("dB", _region(name)) for name in REGIONS},
}
"""Metrics by name: unit and how to take it from a deviation."""


def measure_metrics(
    responses: Sequence[Response],
    target: Target,
    *,
    repeats: Sequence[Sequence[Response]] = (),
    align_low_hz: float = 200.0,
    align_high_hz: float = 5000.0,
) -> dict[str, MetricValue]:
    """All metrics of a stage, with repeat SDs where the data allow them.

    Parameters
    ----------
    responses : sequence of Response
        The stage's positions.
    target : Target
        The target.
    repeats : sequence of sequences of Response, optional
        The whole measurement done again, once or more. Their SD (with the first) is the repeat
        SD. Without repeats and with at least three positions, the SD is the jackknife standard
        error over positions.
    align_low_hz, align_high_hz : float
        See :func:`stimuli.figures.deviation.compare_with_target`.

    Returns
    -------
    dict of str to MetricValue

    Raises
    ------
    InputError
        See :func:`stimuli.response.measured.power_average`.
    """

    def of(positions: Sequence[Response]) -> Deviation:
        stage = power_average(positions)
        return compare_with_target(
            stage, target, align_low_hz=align_low_hz, align_high_hz=align_high_hz
        )

    main = of(responses)
    others, kind, scale = _repeated(of, main, responses, repeats)
    smoothing = "band levels" if power_average(responses).is_band_data else "power mean per band"
    result = {}
    for name, (unit, take) in METRICS.items():
        values = np.array([take(d) for d in others])
        sd = float(scale(values)) if len(values) > 1 else None
        result[name] = MetricValue(
            name=name,
            unit=unit,
            value=take(main),
            repeat_sd=sd,
            repeat_kind=kind,
            n_repeats=len(others),
            grid=main.grid,
            smoothing=smoothing,
            valid_low_hz=main.valid_low_hz,
            valid_high_hz=main.valid_high_hz,
            target_sha256=main.target_sha256,
        )
    return result


def _repeated(
    of: Callable[[Sequence[Response]], Deviation],
    main: Deviation,
    responses: Sequence[Response],
    repeats: Sequence[Sequence[Response]],
) -> tuple[list[Deviation], str, Callable[[Floats], float]]:
    if repeats:
        others = [main, *(of(again) for again in repeats)]
        return others, "repeated measurements", lambda v: float(v.std(ddof=1))
    n = len(responses)
    if n >= 3:
        left_out = [of([r for j, r in enumerate(responses) if j != i]) for i in range(n)]
        # Jackknife standard error: sqrt((n - 1) / n * sum of squares), Efron and Stein 1981.
        return left_out, "jackknife over positions", lambda v: float(v.std() * np.sqrt(n - 1))
    return [], "none", lambda v: float("nan")


def compare_metric(first: MetricValue, second: MetricValue) -> Difference:
    """Compare one metric of two stages.

    Raises
    ------
    InputError
        If the two figures do not rest on the same metric, grid and target.
    """
    for field in ("name", "grid", "target_sha256"):
        a, b = getattr(first, field), getattr(second, field)
        if a != b:
            raise InputError(
                where=f"metric {first.name}",
                problem=f"the two figures differ in {field}: {a!r} and {b!r}",
                remedy="Measure both stages against the same target on the same grid",
            )
    value = first.value - second.value
    if first.repeat_sd is None or second.repeat_sd is None:
        words = f"{value:+.2f} {first.unit}, repeat SD not known"
        return Difference(value, None, None, words)
    pooled = float(np.sqrt((first.repeat_sd**2 + second.repeat_sd**2) / 2))
    limit = RESOLVED_SDS * pooled
    resolved = abs(value) >= limit and abs(value) > 0
    words = (
        f"{value:+.2f} {first.unit}"
        if resolved
        else f"not resolved ({value:+.2f} {first.unit}, 2 repeat SDs are {limit:.2f})"
    )
    return Difference(value, limit, resolved, words)


STAGE_METRICS: tuple[str, ...] = (
    "deviation_sd_db",
    "deviation_mean_abs_db",
    "deviation_tilt_db_per_octave",
    "narrow_band_db",
    *(f"region_{name.replace(' ', '_')}_db" for name in REGIONS),
    "excitation_d",
    "loudness_difference_sone",
    "bass_reach_octaves",
    "treble_reach_octaves",
)
"""Names of the figures of :func:`stage_metrics`; regions outside the valid band are left out."""


def stage_metrics(stage: StageResponse, target: Target) -> dict[str, float]:
    r"""Every single figure of a stage, by the names of the stage table's ``metric_`` columns.

    Parameters
    ----------
    stage : StageResponse
        The stage, from :func:`stimuli.response.measured.read_stage`.
    target : Target
        What it is compared with.

    Returns
    -------
    dict of str to float
        ``deviation_sd_db``, ``deviation_mean_abs_db``, ``deviation_tilt_db_per_octave``,
        ``narrow_band_db``, ``region_<name>_db`` where a region is valid, ``excitation_d`` (pink
        noise at 65 dB SPL, see :mod:`stimuli.figures.excitation`), ``loudness_difference_sone``
        (see :mod:`stimuli.figures.equal_loudness`), ``bass_reach_octaves`` below 200 Hz and
        ``treble_reach_octaves`` above 5 kHz, both to -6 dB or to the end of the valid band.

    Raises
    ------
    InputError
        See :func:`stimuli.figures.deviation.compare_with_target`.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from stimuli import built_in_target, read_stage, stage_metrics
    >>> table = Path(tempfile.mkdtemp(), "damped.csv")
    >>> rows = [f"{1000 * 2 ** (k / 3):.5g}, {k / 3}" for k in range(-15, 13)]
    >>> _ = table.write_text("\n".join(rows))
    >>> figures = stage_metrics(read_stage(table), built_in_target("flat"))
    >>> round(figures["deviation_tilt_db_per_octave"], 2)
    1.0
    """
    dev = compare_with_target(stage, target)
    values = {
        "deviation_sd_db": dev.sd_db,
        "deviation_mean_abs_db": dev.mean_abs_db,
        "deviation_tilt_db_per_octave": dev.tilt_db_per_octave,
        "narrow_band_db": narrow_band_deviation_db(dev),
    }
    for region, mean in dev.regions.items():
        if mean is not None:
            values[f"region_{region.replace(' ', '_')}_db"] = mean
    return values | _perceptual(stage, target) | _reach(stage)


def _held(stage: StageResponse, target: Target) -> tuple[Floats, Floats]:
    """Return stage and target at the ear's components.

    Outside the valid band the deviation is held, as it is when the stage is rendered.
    """
    inside = np.clip(COMPONENT_HZ, stage.valid_low_hz, stage.valid_high_hz)
    wanted = target.level_at(COMPONENT_HZ)
    return wanted + stage.level_at(inside) - target.level_at(inside), wanted


def programme_metrics(
    stage: StageResponse, target: Target, spectrum: EarSpectrum
) -> dict[str, float]:
    """Figures of what a stage does to one excerpt, held against what the target would do to it.

    Parameters
    ----------
    stage, target
        As for :func:`stage_metrics`.
    spectrum : EarSpectrum
        The excerpt's, from :func:`stimuli.figures.excitation.signal_spectrum`, which also sets the
        level.

    Returns
    -------
    dict of str to float
        ``excitation_d``; ``excitation_mean_abs_db`` and ``excitation_largest_db``, mean and largest
        magnitude of the excitation's difference after loudness alignment;
        ``loudness_difference_sone`` of the excerpt's own spectral density.
    """
    found = _ear_difference(stage, target, spectrum)
    held, wanted = _held(stage, target)
    density = spectrum.level_db - 10 * np.log10(erb_n_hz(COMPONENT_HZ))
    loudness = loudness_weighted_difference(
        COMPONENT_HZ,
        density + held,
        density + wanted,
        valid_hz=(stage.valid_low_hz, stage.valid_high_hz),
    )
    return {
        "excitation_d": found.d,
        "excitation_mean_abs_db": float(np.abs(found.difference_db).mean()),
        "excitation_largest_db": float(np.abs(found.difference_db).max()),
        "loudness_difference_sone": loudness.sone,
    }


def _ear_difference(
    stage: StageResponse, target: Target, spectrum: EarSpectrum | None = None
) -> ExcitationDifference:
    band = (stage.valid_low_hz, stage.valid_high_hz)
    return excitation_difference(*_held(stage, target), spectrum=spectrum, valid_hz=band)


def _perceptual(stage: StageResponse, target: Target) -> dict[str, float]:
    band = (stage.valid_low_hz, stage.valid_high_hz)
    held, wanted = _held(stage, target)
    return {
        "excitation_d": _ear_difference(stage, target).d,
        "loudness_difference_sone": loudness_weighted_difference(
            COMPONENT_HZ, held, wanted, valid_hz=band
        ).sone,
    }


def _reach(stage: StageResponse) -> dict[str, float]:
    found = bandwidth(stage)
    low = stage.valid_low_hz if found.low_hz is None else found.low_hz
    high = stage.valid_high_hz if found.high_hz is None else found.high_hz
    return {
        "bass_reach_octaves": float(np.log2(200.0 / low)),
        "treble_reach_octaves": float(np.log2(high / 5000.0)),
    }
