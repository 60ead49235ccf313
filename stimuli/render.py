"""Rendering: every programme through every stage, equally loud, into opaque files.

Order of work: filter each programme through all stages and measure; choose one common loudness
that keeps every true peak under the limit with no limiter; write the files; write the manifest;
then swap the finished folder in. A failure leaves earlier results untouched.
"""

from __future__ import annotations

import os
import secrets
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

import numpy as np
import scipy.fft as fft
import soundfile
from numpy.typing import NDArray

from stimuli.engine import FilterBank, LongTermSpectrum
from stimuli.errors import InputError
from stimuli.filters import StageFilter, design_stage_filter
from stimuli.loudness import LoudnessMeter
from stimuli.manifest import (
    PINK_NOISE,
    Manifest,
    ProgrammeRecord,
    StageRecord,
    StimulusRecord,
    write_manifest,
)
from stimuli.music import pink_noise
from stimuli.programme import ProgrammeSpec, file_sha256, read_programme
from stimuli.response import StageResponse
from stimuli.truepeak import TruePeakMeter
from stimuli.weighting import (
    LISTENING_LEVEL_DB,
    MODEL_NAMES,
    a_weighted_level_db,
    erb_sum_loudness,
    loudness_difference_db,
)

__all__ = ["LOUDEST_LUFS", "PINK_SECONDS", "TRUE_PEAK_LIMIT_DBTP", "StageSpec", "render_set"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Progress = Callable[[int, int, str], None]

LOUDNESS_MODEL = "ITU-R BS.1770-5 integrated loudness"
LOUDEST_LUFS = -18.0
"""Common loudness where peaks allow it."""

TRUE_PEAK_LIMIT_DBTP = -1.0
_PEAK_MARGIN_DB = 0.02  # rounding to 24 bits and single-precision interpolation, amply
PINK_SECONDS = 20.0
PINK_SEED = 20


@dataclass(frozen=True, slots=True)
class StageSpec:
    """A stage to render.

    Attributes
    ----------
    id, label : str
        As in the study.
    response : StageResponse
        What was measured.
    """

    id: str
    label: str
    response: StageResponse


@dataclass(slots=True)
class _Take:
    """One programme through one stage, measured, its samples kept in a scratch file."""

    scratch: Path
    loudness_lufs: float
    meter: LoudnessMeter
    true_peak_dbtp: float


@dataclass(slots=True)
class _Source:
    """A programme in memory and its record."""

    record: ProgrammeRecord
    samples: Singles  # (channels, frames)
    loops: bool


def render_set(
    stages: Sequence[StageSpec],
    programmes: Sequence[ProgrammeSpec],
    out_dir: str | Path,
    *,
    playback: StageResponse | None = None,
    boost_cap_db: float = 12.0,
    rate: int = 48000,
    progress: Progress | None = None,
) -> Manifest:
    """Render a stimulus set.

    Parameters
    ----------
    stages : sequence of StageSpec
        At least one, ids all different.
    programmes : sequence of ProgrammeSpec
        Excerpts; pink noise is added to them.
    out_dir : path
        Folder of the set. An earlier set there is replaced when the new one is complete.
    playback : StageResponse, optional
        What the listeners' playback already does; divided out.
    boost_cap_db : float
        Most gain of a filter above its mean of 200 Hz to 5 kHz.
    rate : int
        Sample rate of the stimuli in Hz.
    progress : callable, optional
        Called with (steps done, steps in all, what is being done).

    Returns
    -------
    Manifest
        Also written to ``out_dir/manifest.json``.

    Raises
    ------
    InputError
        For a programme or response that cannot serve; see :func:`read_programme` and
        :func:`design_stage_filter`.
    """
    _check_ids(stages, programmes)
    total = len(stages) + (len(programmes) + 1) * 2 * len(stages)
    step = _Steps(progress, total)
    filters = []
    for stage in stages:
        step(f"filter for {stage.id}")
        filters.append(
            design_stage_filter(
                stage.response, rate=rate, playback=playback, boost_cap_db=boost_cap_db
            )
        )
    out_dir = Path(out_dir)
    with _new_folder(out_dir) as folder:
        scratch = folder / "scratch"
        scratch.mkdir()
        records, takes, frames, others = [], [], [], []
        for source in _sources(programmes, rate, out_dir):
            taken, spectrum = _measure(source, stages, filters, scratch, rate, step)
            records.append(source.record)
            takes.append(taken)
            frames.append(source.samples.shape[1])
            others.append(spectrum)
        target = _common_loudness(takes)
        stimuli: list[StimulusRecord] = []
        for record, taken, count, (f_hz, power) in zip(records, takes, frames, others, strict=True):
            models = _other_models(f_hz, power, filters, taken, target, rate)
            for stage, filt, take, model in zip(stages, filters, taken, models, strict=True):
                step(f"{record.id} through {stage.id}: writing")
                stimuli.append(
                    _write(stage.id, record.id, filt, take, model, folder, rate, count, target)
                )
        shutil.rmtree(scratch)
        manifest = Manifest(
            loudness_model=LOUDNESS_MODEL,
            target_lufs=target,
            headroom_db=LOUDEST_LUFS - target,
            true_peak_limit_dbtp=TRUE_PEAK_LIMIT_DBTP,
            boost_cap_db=boost_cap_db,
            other_models=dict(MODEL_NAMES),
            software=software_versions(),
            playback_sources=playback.sources if playback else (),
            playback_sha256=playback.sha256 if playback else (),
            stages=tuple(
                _stage_record(s, f, playback) for s, f in zip(stages, filters, strict=True)
            ),
            programmes=tuple(records),
            stimuli=tuple(stimuli),
        )
        write_manifest(manifest, folder)
    return manifest


class _Steps:
    def __init__(self, progress: Progress | None, total: int) -> None:
        self._progress, self._total, self._done = progress, total, 0

    def __call__(self, what: str) -> None:
        self._done += 1
        if self._progress is not None:
            self._progress(self._done, self._total, what)


def _check_ids(stages: Sequence[StageSpec], programmes: Sequence[ProgrammeSpec]) -> None:
    if not stages:
        raise InputError(problem="there is no stage to render", remedy="Give at least one stage")
    for kind, ids in (
        ("stage", [s.id for s in stages]),
        ("programme", [p.id for p in programmes] + [PINK_NOISE]),
    ):
        twice = {i for i in ids if ids.count(i) > 1}
        if twice:
            raise InputError(
                where=f"{kind} {min(twice)}",
                problem=f"the {kind} id {min(twice)!r} is used twice",
                remedy=f"Give every {kind} its own id ({PINK_NOISE!r} is taken)"
                if kind == "programme"
                else f"Give every {kind} its own id",
            )


@contextmanager
def _new_folder(out_dir: Path) -> Iterator[Path]:
    """Hand out a temporary sibling; swap it in on success, remove it otherwise."""
    out_dir.parent.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(prefix=f".{out_dir.name}.new-", dir=out_dir.parent))
    try:
        yield folder
        folder.chmod(0o755)
        old = None
        if out_dir.exists():
            old = folder.with_name(folder.name.replace(".new-", ".old-"))
            out_dir.rename(old)
        folder.rename(out_dir)
        if old is not None:
            shutil.rmtree(old)
    finally:
        if folder.exists():
            shutil.rmtree(folder)


def _sources(programmes: Sequence[ProgrammeSpec], rate: int, out_dir: Path) -> Iterator[_Source]:
    for spec in programmes:
        programme = read_programme(spec, rate)
        path = Path(os.path.relpath(spec.path, out_dir)).as_posix()
        record = ProgrammeRecord(
            id=spec.id,
            path=path,
            start_s=spec.start_s,
            length_s=programme.length_s,
            source_rate=programme.source_rate,
            sha256=programme.sha256,
            notes=programme.notes,
        )
        yield _Source(record, _channels_first(programme.samples), loops=False)
    noise = pink_noise(seconds=PINK_SECONDS, rate=rate, seed=PINK_SEED)
    record = ProgrammeRecord(
        id=PINK_NOISE,
        path=None,
        start_s=0.0,
        length_s=PINK_SECONDS,
        source_rate=rate,
        sha256="",
        notes=("made here: periodic pink noise, the same on both sides",),
        seed=PINK_SEED,
    )
    yield _Source(record, _channels_first(noise), loops=True)


def _channels_first(samples: Floats) -> Singles:
    return np.ascontiguousarray(samples.T, dtype=np.float32)


def _measure(
    source: _Source,
    stages: Sequence[StageSpec],
    filters: Sequence[StageFilter],
    scratch: Path,
    rate: int,
    step: _Steps,
) -> tuple[list[_Take], tuple[Floats, Floats]]:
    """Filter a programme through all stages: loudness, true peak, and samples to scratch."""
    bank = FilterBank([f.taps for f in filters])
    if source.loops:
        # The end of the period was heard before its beginning, so the seam stays inaudible.
        bank.prime(source.samples)
    loud = [LoudnessMeter(rate) for _ in filters]
    peaks = [TruePeakMeter(rate) for _ in filters]
    spectrum = LongTermSpectrum(rate)
    paths = [scratch / f"{secrets.token_hex(4)}.raw" for _ in filters]
    for stage in stages:
        step(f"{source.record.id} through {stage.id}: measuring")
    frames = source.samples.shape[1]
    for start in range(0, frames, bank.block_frames):
        block = source.samples[:, start : start + bank.block_frames]
        spectrum.push(block)
        transformed = bank.transform(block)
        for i, path in enumerate(paths):
            filtered = bank.apply(i, transformed, block.shape[1])
            loud[i].push(filtered)
            peaks[i].push(filtered)
            with path.open("ab") as file:
                file.write(np.ascontiguousarray(filtered.T).tobytes())
    takes = [
        _Take(path, meter.integrated(), meter, peak.dbtp())
        for path, meter, peak in zip(paths, loud, peaks, strict=True)
    ]
    for stage, take in zip(stages, takes, strict=True):
        if not np.isfinite(take.loudness_lufs):
            raise InputError(
                where=f"programme {source.record.id}, stage {stage.id}",
                problem="nothing of the programme is left to hear after this stage's filter",
                remedy="Choose a programme with sound inside the stage's range",
            )
    return takes, (spectrum.f_hz, spectrum.power())


def _common_loudness(takes: Sequence[Sequence[_Take]]) -> float:
    """Loudest level at which no true peak of the set passes the limit."""
    limit = TRUE_PEAK_LIMIT_DBTP - _PEAK_MARGIN_DB
    room = (limit - t.true_peak_dbtp + t.loudness_lufs for row in takes for t in row)
    return float(min(LOUDEST_LUFS, *room))


def _write(
    stage: str,
    programme: str,
    filt: StageFilter,
    take: _Take,
    models: dict[str, float],
    folder: Path,
    rate: int,
    frames: int,
    target: float,
) -> StimulusRecord:
    gain_db = target - take.loudness_lufs
    name = f"{secrets.token_hex(12)}.flac"
    samples = np.memmap(take.scratch, dtype=np.float32, mode="r").reshape(frames, 2)
    _encode(folder / name, samples, 10 ** (gain_db / 20), rate)
    after = take.meter.integrated(gain_db=gain_db)
    return StimulusRecord(
        stage=stage,
        programme=programme,
        file_name=name,
        sample_rate=rate,
        frames=frames,
        channels=2,
        gain_db=gain_db,
        loudness_before_lufs=take.loudness_lufs,
        loudness_after_lufs=after,
        residual_lu=after - target,
        true_peak_dbtp=take.true_peak_dbtp + gain_db,
        filter_taps=len(filt.taps),
        valid_low_hz=filt.valid_low_hz,
        valid_high_hz=filt.valid_high_hz,
        other_models_db=models,
        sha256=file_sha256(folder / name),
    )


_ENCODE_FRAMES = 1 << 18


def _encode(path: Path, samples: NDArray[np.float32], gain: float, rate: int) -> None:
    """Write 24-bit FLAC; rounding is ours, as libsndfile would truncate."""
    with soundfile.SoundFile(
        str(path), "w", samplerate=rate, channels=2, format="FLAC", subtype="PCM_24"
    ) as file:
        for start in range(0, len(samples), _ENCODE_FRAMES):
            block = samples[start : start + _ENCODE_FRAMES].astype(float)
            file.write(np.rint(block * (gain * 2**23)).astype(np.int32) << 8)


def _other_models(
    f_hz: Floats,
    power: Floats,
    filters: Sequence[StageFilter],
    takes: Sequence[_Take],
    target: float,
    rate: int,
) -> list[dict[str, float]]:
    """Levels under the further models, as differences from the mean over stages."""
    spectra = []
    for filt, take in zip(filters, takes, strict=True):
        gain = 10 ** ((target - take.loudness_lufs) / 10)
        spectra.append(power * _power_response(filt.taps, len(f_hz)) * gain)
    a_levels = np.array([a_weighted_level_db(f_hz, s) for s in spectra])
    to_spl = 10 ** ((LISTENING_LEVEL_DB - target) / 10)
    loudness = np.mean([erb_sum_loudness(f_hz, s * to_spl) for s in spectra])
    erb = [loudness_difference_db(f_hz, s * to_spl, float(loudness)) for s in spectra]
    return [
        {"a_weighted": float(a - a_levels.mean()), "erb_sum": float(e - np.mean(erb))}
        for a, e in zip(a_levels, erb, strict=True)
    ]


def _power_response(taps: Floats, n_lines: int) -> Floats:
    n_fft = 2 * (n_lines - 1)
    fold = -(-len(taps) // n_fft)
    return np.asarray(np.abs(fft.rfft(taps, fold * n_fft)[::fold]) ** 2)


def _stage_record(
    stage: StageSpec, filt: StageFilter, playback: StageResponse | None
) -> StageRecord:
    return StageRecord(
        id=stage.id,
        label=stage.label,
        band_hz=tuple(filt.bands.mid_hz.tolist()),
        band_level_db=tuple(filt.measured_db.tolist()),
        achieved_db=tuple(filt.achieved_db.tolist()),
        capped_hz=filt.capped_hz,
        valid_low_hz=filt.valid_low_hz,
        valid_high_hz=filt.valid_high_hz,
        filter_taps=len(filt.taps),
        n_positions=stage.response.n_positions,
        sources=stage.response.sources,
        sha256=stage.response.sha256,
    )


def software_versions() -> dict[str, str]:
    """Versions of the libraries that shape the sound."""
    names = ("numpy", "scipy", "soundfile", "soxr")
    versions = {name: metadata.version(name) for name in names}
    versions["libsndfile"] = soundfile.__libsndfile_version__
    try:
        versions["earwitness"] = metadata.version("earwitness")
    except metadata.PackageNotFoundError:
        versions["earwitness"] = "not installed"
    return versions
