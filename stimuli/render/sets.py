"""Rendering: every programme through every stage, equally loud, into opaque files.

Order of work: filter each programme through all stages and measure; choose one common loudness
that keeps every true peak under the limit with no limiter; write the files; write the manifest;
then swap the finished folder in. A failure leaves earlier results untouched.
"""

from __future__ import annotations

import secrets
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stimuli.files.errors import InputError
from stimuli.filters.design import FilterChoices
from stimuli.filters.stages import (
    StageFilters,
    StageSpec,
    anchor_stage,
    check_anchors,
    make_filters,
)
from stimuli.levels.weighting import LISTENING_LEVEL_DB
from stimuli.programme.reading import ProgrammeSpec
from stimuli.render.manifest import (
    PINK_NOISE,
    Manifest,
    ProgrammeRecord,
    StimulusRecord,
    write_manifest,
)
from stimuli.render.matching import BS1770, MODELS, LevelMatch, describe_models
from stimuli.render.pipeline import FilteredPass, encode, measure
from stimuli.render.records import software_versions, stage_record, stimulus_records
from stimuli.render.sources import PINK_SECONDS, SetSource, check_audible, file_source, noise_source
from stimuli.response.measured import StageResponse

__all__ = ["LOUDEST_LUFS", "TRUE_PEAK_LIMIT_DBTP", "StageSpec", "anchor_stage", "render_set"]

Floats = NDArray[np.float64]
Progress = Callable[[int, int, str], None]

LOUDEST_LUFS = -18.0
"""Common loudness where peaks allow it."""

TRUE_PEAK_LIMIT_DBTP = -1.0
_PEAK_MARGIN_DB = 0.02  # rounding to 24 bits and single-precision interpolation, amply


def render_set(
    stages: Sequence[StageSpec],
    programmes: Sequence[ProgrammeSpec],
    out_dir: str | Path,
    *,
    playback: StageResponse | None = None,
    boost_cap_db: float = 12.0,
    choices: FilterChoices | None = None,
    rate: int = 48000,
    pink_seconds: float = PINK_SECONDS,
    loudness_model: str = BS1770,
    listening_level_db: float = LISTENING_LEVEL_DB,
    progress: Progress | None = None,
) -> Manifest:
    r"""Render a stimulus set.

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
    choices : FilterChoices, optional
        Phase, smoothing and so on of the filters.
    rate : int
        Sample rate of the stimuli in Hz.
    pink_seconds : float
        Length of the pink noise.
    loudness_model : str
        Model in which the stages of a programme match, one of
        :data:`stimuli.render.matching.MODELS`; the others are stored beside it.
    listening_level_db : float
        Sound pressure level assumed for the ERB-band loudness sum.
    progress : callable, optional
        Called with (steps done, steps in all, what is being done).

    Returns
    -------
    Manifest
        Also written to ``out_dir/manifest.json``.

    Raises
    ------
    InputError
        For a programme or response that cannot serve; see
        :func:`stimuli.programme.reading.read_programme` and
        :func:`stimuli.filters.design.design_stage_filter`.

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
    >>> manifest = render_set(
    ...     stages, [ProgrammeSpec("rain", folder / "rain.wav")], folder / "set", pink_seconds=3
    ... )
    >>> len(manifest.stimuli), manifest.matched_in
    (4, 'bs1770')
    """
    _check_ids(stages, programmes)
    _check_model(loudness_model)
    check_anchors(stages)
    choices = replace(choices or FilterChoices(), boost_cap_db=boost_cap_db)
    step = _Steps(progress, len(stages) + (len(programmes) + 1) * (1 + len(stages)))
    out_dir = Path(out_dir)
    # What needs one thread only is done beside what keeps all of them busy.
    with (
        ThreadPoolExecutor(1) as reading,
        ThreadPoolExecutor(1) as beside,
        _new_folder(out_dir) as folder,
    ):
        sources = [
            *(file_source(spec, rate, out_dir, reading, beside) for spec in programmes),
            noise_source(rate, pink_seconds),
        ]
        made = make_filters(stages, rate, playback, choices, step)
        records, stimuli, target = _render_into(
            folder,
            stages,
            made,
            sources,
            rate,
            step,
            LevelMatch(stages, made, loudness_model, listening_level_db),
            beside,
        )
        words = describe_models(listening_level_db)
        manifest = Manifest(
            loudness_model=words.pop(loudness_model),
            target_lufs=target,
            headroom_db=LOUDEST_LUFS - target,
            true_peak_limit_dbtp=TRUE_PEAK_LIMIT_DBTP,
            boost_cap_db=boost_cap_db,
            other_models=words,
            listening_level_db=listening_level_db,
            software=software_versions(),
            playback_sources=playback.sources if playback else (),
            playback_sha256=playback.sha256 if playback else (),
            stages=tuple(stage_record(s, m) for s, m in zip(stages, made, strict=True)),
            programmes=tuple(records),
            stimuli=tuple(stimuli),
            matched_in=loudness_model,
            filter_choices=asdict(choices),
        )
        write_manifest(manifest, folder)
    return manifest


def _render_into(
    folder: Path,
    stages: Sequence[StageSpec],
    made: Sequence[StageFilters],
    sources: Sequence[SetSource],
    rate: int,
    step: _Steps,
    match: LevelMatch,
    beside: ThreadPoolExecutor,
) -> tuple[list[ProgrammeRecord], list[StimulusRecord], float]:
    scratch = folder / "scratch"
    scratch.mkdir()
    records, takes, heard = [], [], []
    stimuli: list[StimulusRecord] = []
    for source in sources:
        taken, spectrum = measure(
            source.pieces,
            [m.taps for m in made],
            [m.delay_frames for m in made],
            scratch=scratch,
            rate=rate,
            loop=source.loop,
            expected_frames=source.frames,
        )
        record = source.record()
        step(f"{record.id}: measured through {len(made)} stages")
        check_audible(record.id, stages, taken)
        records.append(record)
        takes.append(taken)
        heard.append(match.loudness(taken, spectrum))
    target = _common_loudness(takes, [h.loudness_lufs for h in heard])
    gains = [target - h.loudness_lufs for h in heard]
    levels = [
        beside.submit(match.levels, *each, target) for each in zip(takes, gains, heard, strict=True)
    ]
    files = _encode_all(folder, records, stages, takes, gains, rate, step)
    for i, record in enumerate(records):
        stimuli += stimulus_records(
            *(record.id, stages, made, takes[i], gains[i], levels[i].result(), files[i]),
            rate=rate,
        )
    shutil.rmtree(scratch)
    return records, stimuli, target


class _Steps:
    def __init__(self, progress: Progress | None, total: int) -> None:
        self._progress, self._total, self._done = progress, total, 0

    def __call__(self, what: str) -> None:
        self._done += 1
        if self._progress is not None:
            self._progress(self._done, self._total, what)


def _check_model(model: str) -> None:
    if model not in MODELS:
        raise InputError(
            where="loudness_model",
            problem=f"{model!r} is no loudness model",
            remedy=f"Choose one of {', '.join(MODELS)}",
        )


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


def _common_loudness(takes: Sequence[Sequence[FilteredPass]], loudness: Sequence[Floats]) -> float:
    """Loudest level at which no true peak of the set passes the limit."""
    limit = TRUE_PEAK_LIMIT_DBTP - _PEAK_MARGIN_DB
    room = [
        limit - take.true_peak_dbtp + float(level)
        for row, levels in zip(takes, loudness, strict=True)
        for take, level in zip(row, levels, strict=True)
    ]
    return min(LOUDEST_LUFS, *room)


def _encode_all(
    folder: Path,
    records: Sequence[ProgrammeRecord],
    stages: Sequence[StageSpec],
    takes: Sequence[Sequence[FilteredPass]],
    gains_db: Sequence[Floats],
    rate: int,
    step: _Steps,
) -> list[list[tuple[str, str]]]:
    """Write the files of all programmes at once; name and hash of each, by programme and stage."""
    jobs = [
        (take, folder / f"{secrets.token_hex(12)}.flac", 10 ** (gain / 20))
        for row, gains in zip(takes, gains_db, strict=True)
        for take, gain in zip(row, gains.tolist(), strict=True)
    ]
    words = [f"{r.id} through {stage.id}: written" for r in records for stage in stages]
    hashes = encode(jobs, rate=rate, written=lambda i: step(words[i]))
    files = [(path.name, digest) for (_, path, _), digest in zip(jobs, hashes, strict=True)]
    return [files[i : i + len(stages)] for i in range(0, len(files), len(stages))]
