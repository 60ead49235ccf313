"""Is a pair worth listening to? Predicted audibility before a study, held against it afterwards.

The basis are the thresholds of resonances of Toole & Olive (1988) J Audio Eng Soc 36:122, found
with the programme that revealed least (pop music): Q 1 at 1.5 dB, Q 10 at 3 dB, Q 50 at 5 dB.
Through the excitation difference D (:mod:`stimuli.figures.excitation`, pink noise at 65 dB SPL)
these three are 0.13, 0.24 and 0.19: nearly one value for very different spectra, which is what
makes D usable as a scale.

A class is a guide for planning. It is never a result: only listeners decide what is heard.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import combinations
from typing import Any

import numpy as np

from stimuli.figures.excitation import (
    COMPONENT_HZ,
    EarSpectrum,
    excitation_difference,
    pink_spectrum,
)
from stimuli.files.errors import InputError
from stimuli.response.measured import StageResponse

__all__ = [
    "THRESHOLD_D",
    "Audibility",
    "compare_with_answers",
    "predict_audibility",
]

THRESHOLD_D = (0.13, 0.19, 0.24)
"""D of the three published resonance thresholds, recomputed here with pink noise at 65 dB SPL."""

#: Below half of the lowest threshold even more revealing material (noise) is unlikely to help.
_BELOW, _ABOVE = THRESHOLD_D[0] / 2, THRESHOLD_D[-1]


@dataclass(frozen=True, slots=True)
class Audibility:
    """Predicted audibility of one pair with one programme.

    Attributes
    ----------
    pair : tuple of str
        Stages in sorted order.
    programme : str
        Programme id, or "pink noise".
    expected : str
        ``"below"``, ``"near"`` or ``"above"`` the published thresholds.
    d : float
        Excitation difference after loudness alignment.
    sd_db : float
        SD of the level difference over 1/3-octave bands.
    largest_db, largest_hz : float
        Largest level difference of a band after alignment over 200 Hz to 5 kHz, and where.
    valid_low_hz, valid_high_hz : float
        Band in which both stages are known.
    words : str
    """

    pair: tuple[str, str]
    programme: str
    expected: str
    d: float
    sd_db: float
    largest_db: float
    largest_hz: float
    valid_low_hz: float
    valid_high_hz: float
    words: str


def predict_audibility(
    stages: Mapping[str, StageResponse],
    programmes: Mapping[str, EarSpectrum] | None = None,
    *,
    pairs: Sequence[tuple[str, str]] | None = None,
    progress: Callable[[int, int, str], None] | None = None,
) -> list[Audibility]:
    r"""Predict how audible the difference of each pair is with each programme.

    Parameters
    ----------
    stages : mapping of str to StageResponse
        Measured stages by id.
    programmes : mapping of str to EarSpectrum, optional
        Long-term spectra by programme id (:func:`stimuli.figures.excitation.signal_spectrum`); pink
        noise when not given.
    pairs : sequence of tuple of str, optional
        Which pairs; all by default.
    progress : callable, optional
        Called with done, total and the pair.

    Returns
    -------
    list of Audibility
        Pair by pair, programme by programme.

    Raises
    ------
    InputError
        A pair names an unknown stage, or two stages share no band.

    Notes
    -----
    Held against the thresholds of resonances of Toole & Olive (1988) J Audio Eng Soc 36:122.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from analysis import predict_audibility
    >>> from stimuli import read_stage
    >>> folder, stages = Path(tempfile.mkdtemp()), {}
    >>> bands = [1000 * 10 ** (k / 10) for k in range(-16, 13)]
    >>> for name, bass_db in (("as-built", 6.0), ("damped", 0.0)):
    ...     rows = "\n".join(f"{f:.6g}, {74 + bass_db * (f < 120)}" for f in bands)
    ...     _ = (folder / f"{name}.csv").write_text(rows)
    ...     stages[name] = read_stage(folder / f"{name}.csv")
    >>> [(found.pair, found.expected) for found in predict_audibility(stages)]
    [(('as-built', 'damped'), 'above')]
    """
    spectra = {"pink noise": pink_spectrum()} if programmes is None else programmes
    wanted = list(combinations(sorted(stages), 2)) if pairs is None else pairs
    found, total = [], len(wanted) * len(spectra)
    for first, second in wanted:
        for name in (first, second):
            if name not in stages:
                raise InputError(
                    where="pairs",
                    problem=f"there is no stage {name!r}",
                    remedy=f"Use: {', '.join(stages)}",
                )
        pair = (min(first, second), max(first, second))
        for programme, spectrum in spectra.items():
            found.append(_predict(pair, stages, programme, spectrum))
            if progress is not None:
                progress(len(found), total, f"{pair[0]} and {pair[1]}")
    return found


def _predict(
    pair: tuple[str, str],
    stages: Mapping[str, StageResponse],
    programme: str,
    spectrum: EarSpectrum,
) -> Audibility:
    a, b = (stages[name] for name in pair)
    low, high = max(a.valid_low_hz, b.valid_low_hz), min(a.valid_high_hz, b.valid_high_hz)
    bands = a.bands()
    bands = bands.select(bands.inside(low, high))
    if len(bands) < 3:
        raise InputError(
            where=f"{pair[0]} and {pair[1]}",
            problem="the two stages are not known over a common band",
            remedy="Measure both over the same range",
        )
    difference = a.band_level_db(bands) - b.band_level_db(bands)
    middle = (bands.mid_hz > 190) & (bands.mid_hz < 5100)
    aligned = difference - (difference[middle] if middle.any() else difference).mean()
    inside = np.clip(COMPONENT_HZ, low, high)
    d = excitation_difference(
        a.level_at(inside), b.level_at(inside), spectrum=spectrum, valid_hz=(low, high)
    ).d
    k = int(np.abs(aligned).argmax())
    expected = "above" if d > _ABOVE else "below" if d < _BELOW else "near"
    return Audibility(
        pair=pair,
        programme=programme,
        expected=expected,
        d=d,
        sd_db=float(difference.std(ddof=1)),
        largest_db=float(aligned[k]),
        largest_hz=float(bands.nominal_hz[k]),
        valid_low_hz=low,
        valid_high_hz=high,
        words=_words(pair, programme, expected, d),
    )


def _words(pair: tuple[str, str], programme: str, expected: str, d: float) -> str:
    meaning = {
        "above": "above the published thresholds of resonances: expect it to be heard",
        "near": "near the published thresholds of resonances: it may be heard by some, and needs "
        "many trials",
        "below": "below half of the lowest published threshold of resonances: a study of this "
        "pair alone is likely to find nothing",
    }
    return f"{pair[0]} and {pair[1]} with {programme}: difference {d:.2f}, {meaning[expected]}."


def compare_with_answers(
    predicted: Sequence[Audibility],
    discrimination: Sequence[Mapping[str, Any]],
    *,
    alpha: float = 0.05,
) -> list[dict[str, Any]]:
    """Hold predictions against the discrimination results of a study.

    Parameters
    ----------
    predicted : sequence of Audibility
    discrimination : sequence of mappings
        The ``discrimination`` block of the analysis.
    alpha : float, optional
        Level at which a pair counts as told apart.

    Returns
    -------
    list of dict
        One row a prediction with an answer: the prediction's figures, ``proportion``, ``p_value``
        between listeners (of the trials where one listener is all there is) and what it
        ``rests_on``, ``n_trials``, ``n_listeners``, ``told_apart`` and ``outcome``:
        ``"as predicted"``, ``"heard against prediction"``, ``"not shown against prediction"``, or
        ``"open before"`` for pairs near the threshold. Rows of one programme are used where the
        study has them, else the pair's.
    """
    rows = []
    for one in predicted:
        answer = _answer(one, discrimination)
        p_value, rests_on = _test_of(answer)
        if answer is None or p_value is None:
            continue
        told = bool(p_value <= alpha)
        rows.append(
            asdict(one)
            | {
                "pair": list(one.pair),
                "method": answer["method"],
                "answers_of": answer.get("programme") or "all programmes",
                "proportion": answer["proportion"],
                "p_value": p_value,
                "rests_on": rests_on,
                "n_trials": answer["n_trials"],
                "n_listeners": answer.get("n_listeners"),
                "told_apart": told,
                "outcome": _outcome(one.expected, told),
            }
        )
    return rows


def _answer(
    one: Audibility, discrimination: Sequence[Mapping[str, Any]]
) -> Mapping[str, Any] | None:
    own = [
        row
        for row in discrimination
        if set(row["pair"]) == set(one.pair) and row.get("listener") is None
    ]
    for programme in (one.programme, None):
        same = [row for row in own if row.get("programme") == programme]
        if same:
            return max(same, key=lambda row: int(row["n_trials"]))
    return None


def _test_of(answer: Mapping[str, Any] | None) -> tuple[float | None, str | None]:
    """Return the p-value between listeners; the exact one over trials only for one listener."""
    if answer is None:
        return None, None
    panel = answer.get("panel") or {}
    if panel.get("p_value") is not None:
        return float(panel["p_value"]), str(panel.get("rests_on"))
    exact = answer["p_value"]
    return (None, None) if exact is None else (float(exact), "trials")


def _outcome(expected: str, told: bool) -> str:
    if expected == "near":
        return "open before"
    if told == (expected == "above"):
        return "as predicted"
    return "heard against prediction" if told else "not shown against prediction"
