"""Predicted audibility and what listeners then did."""

import numpy as np
import numpy.testing as npt
import pandas as pd
import pytest

from analysis.hearing.audibility import THRESHOLD_D, compare_with_answers, predict_audibility
from analysis.hearing.discrimination import discrimination_rows
from analysis.tables.trials import trial_table
from stimuli.figures.excitation import COMPONENT_HZ, excitation_difference, signal_spectrum
from stimuli.files.errors import InputError
from stimuli.response.measured import Response, power_average

F = np.geomspace(20, 20000, 600)


def stage(level_db, f_hz=F):
    return power_average([Response(f_hz, np.broadcast_to(level_db, f_hz.shape) + 0.0)])


def resonance(q, gain_db, at=F):
    s, a = 1j * at / 2000, 10 ** (gain_db / 40)
    return 20 * np.log10(np.abs((s * s + s * a / q + 1) / (s * s + s / (a * q) + 1)))


FLAT = stage(0.0)


def test_the_scale_rests_on_the_published_thresholds():
    # Toole & Olive 1988 JAES 36:122: Q 1 1.5 dB, Q 10 3 dB, Q 50 5 dB
    pairs = ((1, 1.5), (10, 3.0), (50, 5.0))
    d = [excitation_difference(resonance(q, g, COMPONENT_HZ)).d for q, g in pairs]
    npt.assert_allclose(sorted(d), THRESHOLD_D, atol=0.006)


@pytest.mark.parametrize(
    ("level", "expected"),
    [
        (resonance(1, 6.0), "above"),
        (resonance(1, 1.5), "near"),  # at threshold
        (resonance(1, 0.4), "below"),
        (np.full(F.size, 10.0), "below"),  # louder only: levels are matched before listening
    ],
)
def test_classes(level, expected):
    (found,) = predict_audibility({"flat": FLAT, "other": stage(level)})
    assert found.expected == expected
    assert found.pair == ("flat", "other")
    assert found.programme == "pink noise"


def test_figures_say_where_the_difference_lies():
    (found,) = predict_audibility({"a": FLAT, "b": stage(resonance(2, -8.0))})
    assert found.largest_hz == 2000
    assert found.largest_db == pytest.approx(6, abs=0.5)  # 8 dB less the alignment
    assert found.sd_db > 1
    assert f"{found.d:.2f}" in found.words


def test_the_programme_decides():
    rng = np.random.default_rng(1)
    spectrum = np.fft.rfft(rng.standard_normal(96000))
    f = np.fft.rfftfreq(96000, 1 / 48000)
    thin = np.fft.irfft(spectrum * ((f > 800) & (f < 6000)))[:, None]
    full = np.fft.irfft(spectrum / np.sqrt(np.maximum(f, 10)))[:, None]
    bass = stage(np.where(F < 120, 6.0, 0.0))
    spectra = {"full": signal_spectrum(full, 48000), "thin": signal_spectrum(thin, 48000)}
    done = []
    found = predict_audibility(
        {"a": FLAT, "b": bass}, spectra, progress=lambda *step: done.append(step)
    )
    assert [(one.programme, one.expected) for one in found] == [
        ("full", "above"),
        ("thin", "below"),
    ]
    assert done == [(1, 2, "a and b"), (2, 2, "a and b")]


def test_only_the_band_that_both_know_counts():
    low = F[F < 300]
    cut = stage(np.where(F[F > 100] > 0, 0.0, 0.0), F[F > 100])
    deep = stage(np.where(F < 70, -20.0, 0.0))
    (found,) = predict_audibility({"a": cut, "b": deep})
    assert found.expected == "below"
    assert found.valid_low_hz >= 100 / 1.2
    with pytest.raises(InputError, match="not known over a common band"):
        predict_audibility({"a": stage(0.0, low), "b": stage(0.0, F[F > 400])})


def test_unknown_stages_are_named():
    with pytest.raises(InputError, match="no stage 'ghost'"):
        predict_audibility({"a": FLAT, "b": FLAT}, pairs=[("a", "ghost")])


def row(pair, p, *, listener=None, programme=None, n=40):
    return {
        "pair": list(pair),
        "method": "abx",
        "listener": listener,
        "programme": programme,
        "n_trials": n,
        "proportion": 0.7,
        "p_value": p,
    }


def test_predictions_are_held_against_answers():
    stages = {
        "flat": FLAT,
        "big": stage(resonance(1, 6.0)),
        "mid": stage(resonance(1, 1.5)),
        "tiny": stage(resonance(1, 0.3)),
    }
    pairs = [("flat", name) for name in ("big", "mid", "tiny")]
    predicted = predict_audibility(stages, pairs=pairs)
    answers = [
        row(("big", "flat"), 0.001, listener="p1"),  # one listener's row is no panel result
        row(("big", "flat"), 0.4),
        row(("flat", "mid"), 0.01),
        row(("flat", "tiny"), 0.02),
    ]
    rows = {tuple(r["pair"]): r for r in compare_with_answers(predicted, answers)}
    assert rows["big", "flat"]["outcome"] == "not shown against prediction"
    assert rows["big", "flat"]["p_value"] == 0.4
    assert rows["flat", "mid"]["outcome"] == "open before"
    assert rows["flat", "tiny"]["outcome"] == "heard against prediction"
    agreed = compare_with_answers(predicted[:1], [row(("big", "flat"), 0.001)])
    assert agreed[0]["outcome"] == "as predicted"
    assert agreed[0]["answers_of"] == "all programmes"
    own = compare_with_answers(
        predicted[:1],
        [row(("big", "flat"), 0.4), row(("big", "flat"), 0.01, programme="pink noise")],
    )
    assert own[0]["answers_of"] == "pink noise"
    assert compare_with_answers(predicted, []) == []


def test_told_apart_means_between_listeners_not_over_trials():
    """One keen listener among eleven who guess: many right answers, no panel that hears it."""
    cells = [("p0", 40, 40), *((f"p{k}", 4, 8) for k in range(1, 12))]
    rows = []
    for listener, right, total in cells:
        for n in range(total):
            x = ("i", "j")[n % 2]
            true, other = ("a", "b") if x == "i" else ("b", "a")
            answer = true if n < right else other
            rows.append((listener, "1", n + 1, "abx", "i", "j", x, answer))
    names = ["listener", "session", "trial", "method", "stage_a", "stage_b", "stage_x", "answer"]
    answers = discrimination_rows(trial_table(pd.DataFrame(rows, columns=names)))
    whole = next(r for r in answers if r["listener"] is None and r["programme"] is None)
    assert whole["p_value"] < 0.001
    stages = {"i": FLAT, "j": stage(resonance(1, 6.0))}
    (row,) = compare_with_answers(predict_audibility(stages), answers)
    assert row["p_value"] == whole["panel"]["p_value"] > 0.05
    assert not row["told_apart"]
    assert row["outcome"] == "not shown against prediction"
    assert row["n_listeners"] == 12
