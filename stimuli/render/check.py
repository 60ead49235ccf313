"""Measuring a stimulus set back from its files, to see whether the promises are kept.

Nothing here trusts the renderer. Loudness, peaks and band levels are taken from the files on
disk; pink noise is made anew from its recipe and programmes are read again from their sources.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from operator import itemgetter
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve

from stimuli.files.errors import InputError
from stimuli.filters.anchors import ANCHORS_HZ
from stimuli.programme.reading import ProgrammeSpec, file_sha256, read_programme
from stimuli.render.manifest import (
    MANIFEST_NAME,
    PINK_NOISE,
    Manifest,
    ProgrammeRecord,
    StageRecord,
    model_disagreements,
    read_manifest,
)
from stimuli.render.matching import BS1770, relative_levels_db
from stimuli.render.measuring_back import (
    MeasuredFiles,
    NoiseMeter,
    excerpt_band_power,
    judged_span,
    measure_files,
    stage_bands,
)
from stimuli.render.pipeline import count_cores
from stimuli.response.measured import StageResponse

__all__ = ["Check", "SetCheck", "verify_set"]

Floats = NDArray[np.float64]
Progress = Callable[[int, int, str], None]

LEVEL_LIMIT_LU = 0.1
TONE_LIMIT_DB = 0.3
_WEAK_BAND_DB = -50.0  # programme bands this far under the strongest are not judged


@dataclass(frozen=True, slots=True)
class Check:
    """One named check.

    Attributes
    ----------
    name : str
        Short name.
    passed : bool
        Verdict.
    figure, limit : float
        What was measured and what is allowed; NaN where it could not be measured.
    words : str
        The finding as a sentence.
    """

    name: str
    passed: bool
    figure: float
    limit: float
    words: str


@dataclass(frozen=True, slots=True)
class SetCheck:
    """All checks of a set.

    Attributes
    ----------
    checks : tuple of Check
        In the order files, level, peak, tone.
    passed : bool
        True if every check passed.
    notes : tuple of str
        What a reader should know although nothing is broken: where further loudness models
        disagree with the declared one by more than 0.5 dB.
    """

    checks: tuple[Check, ...]
    passed: bool
    notes: tuple[str, ...] = ()


def verify_set(
    out_dir: str | Path,
    *,
    responses: Mapping[str, StageResponse] | None = None,
    playback: StageResponse | None = None,
    progress: Progress | None = None,
) -> SetCheck:
    r"""Measure a stimulus set from its files.

    Parameters
    ----------
    out_dir : path
        Folder with ``manifest.json``.
    responses : mapping of stage id to StageResponse, optional
        The measured stages, read again from their tables. Pink noise is then held against
        these and not against the levels noted in the manifest.
    playback : StageResponse, optional
        The playback response divided out, to go with ``responses``.
    progress : callable, optional
        Called with (steps done, steps in all, what is being done).

    Returns
    -------
    SetCheck
        Checks: ``files`` (all there, none extra, hashes hold), ``level match``, ``true peak``,
        ``tone of pink noise`` per stage, ``tone of programmes`` per programme.

    Raises
    ------
    InputError
        If there is no readable manifest.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import numpy as np
    >>> import soundfile
    >>> from stimuli import ProgrammeSpec, StageSpec, read_stage, render_set, verify_set
    >>> folder = Path(tempfile.mkdtemp())
    >>> noise = np.random.default_rng(1).normal(0, 0.05, (3 * 48000, 2))
    >>> soundfile.write(folder / "rain.wav", noise, 48000)
    >>> stages = []
    >>> for name, slope in (("as-built", -0.4), ("damped", -0.1)):
    ...     rows = [f"{1000 * 2 ** (k / 3):.5g}, {slope * k}" for k in range(-12, 13)]
    ...     _ = (folder / f"{name}.csv").write_text("\n".join(rows))
    ...     stages.append(StageSpec(name, name, read_stage(folder / f"{name}.csv")))
    >>> programmes = [ProgrammeSpec("rain", folder / "rain.wav")]
    >>> _ = render_set(stages, programmes, folder / "set")
    >>> verify_set(folder / "set", responses={stage.id: stage.response for stage in stages}).passed
    True
    """
    folder = Path(out_dir)
    manifest = read_manifest(folder)
    files = _check_files(folder, manifest)
    if not files.passed:
        return SetCheck((files,), False)
    noise = NoiseMeter(manifest)
    with ThreadPoolExecutor(count_cores()) as pool:
        measured = measure_files(folder, manifest, noise, pool, progress)
        checks = [files, *_level_checks(manifest, measured), _peak_check(manifest, measured)]
        for stage in manifest.stages:
            given = None if responses is None else responses.get(stage.id)
            checks.append(_pink_check(stage, noise, measured, given, playback))
        checks += [
            _programme_check(record, folder, manifest, measured, pool)
            for record in manifest.programmes
            if record.id != PINK_NOISE
        ]
    notes = tuple(d.words for d in model_disagreements(manifest))
    return SetCheck(tuple(checks), all(check.passed for check in checks), notes)


def _check_files(folder: Path, manifest: Manifest) -> Check:
    faults = []
    for record in manifest.stimuli:
        path = folder / record.file_name
        if not path.is_file():
            faults.append(f"{record.file_name} is missing")
        elif file_sha256(path) != record.sha256:
            faults.append(f"{record.file_name} is not the file that was rendered (hash differs)")
    known = {record.file_name for record in manifest.stimuli} | {MANIFEST_NAME}
    faults += [f"{p.name} does not belong here" for p in folder.iterdir() if p.name not in known]
    words = "; ".join(faults) or f"all {len(manifest.stimuli)} files are there, hashes hold"
    return Check("files", not faults, float(len(faults)), 0.0, words)


def _level_checks(manifest: Manifest, measured: MeasuredFiles) -> list[Check]:
    checks = []
    for programme in manifest.programmes:
        matched = [s.id for s in manifest.stages if not s.anchor]
        values = _levels(manifest, measured, programme.id, matched)
        spread = max(values.values()) - min(values.values())
        lengths = {measured[s.id, programme.id].frames for s in manifest.stages}
        same = len(lengths) == 1
        words = (
            f"{programme.id}: {len(values)} stages between {min(values.values()):.3f} and "
            f"{max(values.values()):.3f} {_UNITS.get(manifest.matched_in, 'LUFS')}, "
            f"{spread:.3f} LU apart"
        )
        if not same:
            words += "; lengths differ"
        passed = same and spread <= LEVEL_LIMIT_LU
        checks.append(Check(f"level match, {programme.id}", passed, spread, LEVEL_LIMIT_LU, words))
    return checks


_UNITS = {"a_weighted": "dB of A-weighted level", "erb_sum": "dB in the loudness sum"}


def _levels(
    manifest: Manifest, measured: MeasuredFiles, programme: str, stages: list[str]
) -> dict[str, float]:
    """Level of each stage in the model that the set says it is matched in."""
    if manifest.matched_in == BS1770:
        return {stage: measured[stage, programme].loudness for stage in stages}
    to_spl = 10 ** ((manifest.listening_level_db - manifest.target_lufs) / 10)
    spectra = [s for stage in stages if (s := measured[stage, programme].spectrum) is not None]
    levels = relative_levels_db(
        manifest.matched_in, spectra[0].f_hz, [s.power() * to_spl for s in spectra]
    )
    return dict(zip(stages, levels.tolist(), strict=True))


def _peak_check(manifest: Manifest, measured: MeasuredFiles) -> Check:
    key = max(measured, key=lambda k: measured[k].peak)
    peak, limit = measured[key].peak, manifest.true_peak_limit_dbtp
    words = f"highest true peak {peak:.2f} dBTP ({key[1]} through {key[0]})"
    return Check("true peak", peak <= limit, peak, limit, words)


def _pink_check(
    stage: StageRecord,
    noise: NoiseMeter,
    measured: MeasuredFiles,
    response: StageResponse | None,
    playback: StageResponse | None,
) -> Check:
    """Band levels of the pink-noise file against the stage's measured levels, side by side."""
    bands = stage_bands(stage)
    left = np.array(stage.band_level_db)
    right = np.array(stage.right_band_level_db or left)
    if response is not None and stage.right_band_level_db is None:
        left = response.band_level_db(bands)
        if playback is not None:
            left = left - playback.band_level_db(bands)
        right = left
    judged = ~np.isin(np.round(bands.nominal_hz, 3), np.round(stage.capped_hz, 3))
    if stage.anchor:
        judged &= bands.high_hz <= ANCHORS_HZ[stage.anchor]
    heard = 10 * np.log10(measured[stage.id, PINK_NOISE].band_power / noise.band_power(bands))
    error = heard.T - np.stack([left, right])
    error = np.abs(error - _centre(error[:, judged])).max(axis=0)
    worst = float(error[judged].max())
    at = bands.nominal_hz[judged][int(error[judged].argmax())]
    words = (
        f"{stage.id}: worst of {int(judged.sum())} bands {worst:.3f} dB from the measured response "
        f"(at {at:g} Hz), valid from {stage.valid_low_hz:.0f} to {stage.valid_high_hz:.0f} Hz"
    )
    if stage.anchor:
        words += f"; judged below the anchor's {ANCHORS_HZ[stage.anchor]:g} Hz"
    if stage.capped_hz:
        names = ", ".join(f"{f:g}" for f in stage.capped_hz)
        words += f"; boost capped at {names} Hz"
    name = f"tone of pink noise, {stage.id}"
    return Check(name, worst <= TONE_LIMIT_DB, worst, TONE_LIMIT_DB, words)


def _centre(error: Floats) -> float:
    """One level offset for all bands: the one that makes the worst error least."""
    return float((error.max() + error.min()) / 2)


def _programme_check(
    record: ProgrammeRecord,
    folder: Path,
    manifest: Manifest,
    measured: MeasuredFiles,
    pool: ThreadPoolExecutor,
) -> Check:
    """Band levels of a programme's files against its source through the measured responses."""
    name = f"tone of {record.id}"
    rate = manifest.stimuli[0].sample_rate
    start, stop = judged_span(manifest.stimulus(manifest.stages[0].id, record.id).frames, rate)
    try:
        source, lead = _programme_source(record, folder, manifest, start, stop)
    except InputError as fault:
        return Check(name, False, float("nan"), TONE_LIMIT_DB, f"source cannot be read: {fault}")

    def worst_band(stage: StageRecord) -> tuple[float, str]:
        impulse = measured[stage.id, PINK_NOISE].impulse
        assert impulse is not None  # every pink-noise file has one
        early = len(impulse) - stage.filter_taps
        wanted = fftconvolve(source, impulse, axes=0)[early + lead :][: stop - start]
        expected = excerpt_band_power(wanted, rate, stage).sum(axis=1)
        heard = measured[stage.id, record.id].band_power.sum(axis=1)
        strong = expected > expected.max() * 10 ** (_WEAK_BAND_DB / 10)
        error = 10 * np.log10(heard[strong] / expected[strong])
        error = np.abs(error - _centre(error))
        at = int(error.argmax())
        at_hz = stage_bands(stage).nominal_hz[strong][at]
        worst = float(error[at])
        return worst, f"{record.id}: worst band {worst:.3f} dB ({stage.id}, {at_hz:g} Hz)"

    worst, words = max(pool.map(worst_band, manifest.stages), key=itemgetter(0))
    return Check(name, worst <= TONE_LIMIT_DB, worst, TONE_LIMIT_DB, words)


def _programme_source(
    record: ProgrammeRecord, folder: Path, manifest: Manifest, start: int, stop: int
) -> tuple[Floats, int]:
    """Source of the judged span, with what filters reach before and after it, and the lead."""
    path = folder / (record.path or "")
    if path.is_file() and file_sha256(path) != record.sha256:
        raise InputError(
            source=path.name,
            problem="the programme file has changed since rendering (hash differs)",
            remedy="Render the set again",
        )
    rate = manifest.stimuli[0].sample_rate
    reach = max(stage.filter_taps for stage in manifest.stages)
    lead = min(start, reach)
    length_s = min(record.length_s - (start - lead) / rate, (stop - start + lead + reach) / rate)
    spec = ProgrammeSpec(
        record.id, path, record.start_s + (start - lead) / rate, length_s, mono=True
    )
    return read_programme(spec, rate).samples, lead
