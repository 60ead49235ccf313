"""Whether a pair is worth asking about: predicted audibility, and how the prediction did."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Any

import pandas as pd

from abx.sound.stages import stage_tables
from abx.sound.stimuli import load_stages
from abx.study.model import target_curve
from abx.study.workspace import Workspace
from abx.study_file.reading import load_study
from analysis.hearing.audibility import THRESHOLD_D, compare_with_answers, predict_audibility
from stimuli.figures.excitation import signal_spectrum
from stimuli.figures.metrics import programme_metrics
from stimuli.programme.reading import ProgrammeSpec, read_programme
from stimuli.response.measured import power_average

if TYPE_CHECKING:
    from abx.study.model import Study
    from analysis.hearing.audibility import Audibility
    from stimuli.figures.excitation import EarSpectrum

__all__ = [
    "audibility_lines",
    "compare_audibility",
    "predicted_audibility",
    "programme_figures",
    "programme_spectra",
]

Progress = Callable[[int, int, str], None]

_ORDER = ("below", "near", "above")
_MEANING = {
    "below": "; asking may be a waste",
    "near": "; listeners may or may not tell",
    "above": "",
}


def asked_pairs(study: Study) -> list[tuple[str, str]]:
    """Return the pairs that the study asks about, each once, in sorted order."""
    pairs: set[tuple[str, str]] = set()
    for test in study.tests:
        asked = test.pairs or tuple(combinations(test.stages, 2))
        pairs |= {(min(pair), max(pair)) for pair in asked}
    return sorted(pairs)


def predicted_audibility(
    workspace: Workspace, progress: Progress | None = None
) -> list[Audibility]:
    """Predict the audibility of each asked pair with each programme.

    Parameters
    ----------
    workspace : Workspace
        The study; response tables are enough, pink noise stands in for programmes whose
        files were not passed on.
    progress : callable, optional
        ``progress(done, total, what)``.

    Returns
    -------
    list of Audibility
        See :func:`analysis.hearing.audibility.predict_audibility`.
    """
    study = load_study(workspace)
    spectra = None if workspace.partial else programme_spectra(workspace, study)
    stages = load_stages(workspace, study)
    return predict_audibility(stages, spectra, pairs=asked_pairs(study), progress=progress)


def programme_spectra(workspace: Workspace, study: Study) -> dict[str, EarSpectrum]:
    """Return the long-term spectrum of every excerpt by programme id, at 65 dB SPL."""
    spectra = {}
    for p in study.programmes:
        spec = ProgrammeSpec(
            p.id, workspace.root / p.file, start_s=p.start_s, length_s=p.length_s, mono=p.mono
        )
        excerpt = read_programme(spec)
        spectra[p.id] = signal_spectrum(excerpt.samples, excerpt.rate, name=p.id)
    return spectra


def programme_figures(workspace: Workspace, study: Study) -> pd.DataFrame:
    """Return the programme table: what each stage does to each excerpt.

    Returns
    -------
    DataFrame
        ``programme``, ``stage`` and the figures of
        :func:`stimuli.figures.metrics.programme_metrics` as ``metric_...``, rounded to the
        millionth so that another machine finds the same table.
    """
    target = target_curve(study, workspace.root)
    tables = stage_tables(workspace, study)
    stages = {stage: power_average(responses) for stage, responses in tables.items()}
    rows = []
    for programme, spectrum in programme_spectra(workspace, study).items():
        for stage, response in stages.items():
            found = programme_metrics(response, target, spectrum)
            figures = {f"metric_{name}": round(value, 6) for name, value in found.items()}
            rows.append({"programme": programme, "stage": stage, **figures})
    return pd.DataFrame(rows)


def audibility_lines(predicted: Sequence[Audibility]) -> list[str]:
    """Say which pairs are doubtful, and with which programme.

    Returns
    -------
    list of str
        A line for each pair that some programme leaves near or below the thresholds, with the
        class and D of each programme; one that counts the others; and what it rests on.
    """
    by_pair: dict[tuple[str, str], list[Audibility]] = {}
    for one in predicted:
        by_pair.setdefault(one.pair, []).append(one)
    lines, clear = [], 0
    for (first, second), found in by_pair.items():
        if all(one.expected == "above" for one in found):
            clear += 1
            continue
        each = ", ".join(f"{one.expected} with {one.programme} (D {one.d:.2f})" for one in found)
        best = max((one.expected for one in found), key=_ORDER.index)
        lines.append(f"{first} and {second}: {each}{_MEANING[best]}")
    lines.append(f"{clear} of {len(by_pair)} pairs: above with every programme")
    low, high = THRESHOLD_D[0], THRESHOLD_D[-1]
    lines.append(
        "above, near or below the detection thresholds of resonances of Toole and Olive (1988), "
        f"D {low:.2f} to {high:.2f}: a guide; only listeners decide"
    )
    return lines


def compare_audibility(
    predicted: Sequence[Audibility], results: dict[str, Any], *, alpha: float
) -> list[dict[str, Any]]:
    """Hold the predictions against the answers; see :mod:`analysis.hearing.audibility`."""
    return compare_with_answers(predicted, results.get("discrimination") or [], alpha=alpha)
