"""Audio blocks: right samples, right format, fresh dither, nothing that tells."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import numpy.testing as npt
import pytest
import soundfile

from abx.errors import InputError, NotFound
from abx.session.blobs import HEADER, Dither, StimulusCache, build_blob, fixed_point, lowpass_copy
from abx.study.trial import treated
from helpers.sound_block import unpack
from helpers.study_desk import RATE, Desk
from stimuli.levels.loudness import integrated_loudness


def tone(frames: int = 4800, amplitude: float = 0.5) -> np.ndarray:
    t = np.arange(frames) / RATE
    return (amplitude * np.column_stack([np.sin(2000 * t), np.cos(3000 * t)])).astype(np.float32)


def fixed_tone(frames: int = 4800, amplitude: float = 0.5) -> np.ndarray:
    return fixed_point(tone(frames, amplitude))


def quantise(signal: np.ndarray, seed: int) -> np.ndarray:
    result = np.empty(signal.size, dtype=np.int16)
    Dither(seed).quantise_into(result, fixed_point(signal).reshape(-1))
    return result.reshape(signal.shape)


def test_layout_and_samples() -> None:
    one, other = tone(), tone(amplitude=0.1)
    blob = build_blob([fixed_point(signal) for signal in (one, other, one)], RATE)
    rate, samples = unpack(blob)
    assert rate == RATE
    assert HEADER.size == 16
    assert len(blob) == 16 + 3 * 4800 * 2 * 2
    # Triangular dither of two steps' width and rounding: never more than 1.5 steps away.
    for version, signal in zip(samples, (one, other, one), strict=True):
        assert np.abs(version - signal.astype(float) * 32768).max() <= 1.5


def test_copies_of_one_stimulus_share_no_bytes() -> None:
    signal = fixed_tone()
    _, first = unpack(build_blob([signal, signal], RATE))
    _, second = unpack(build_blob([signal, signal], RATE))
    copies = [first[0], first[1], second[0], second[1]]
    for i, one in enumerate(copies):
        for other in copies[:i]:
            differing = np.mean(one != other)
            # Between 13/32 (signal on a step: values -1, 0, 1 with shares 1/8, 3/4, 1/8) and
            # 1/2 (signal half-way between two steps).
            assert 0.38 < differing < 0.55


def test_dither_is_triangular_and_free_of_the_signal() -> None:
    """Moments of the total error of non-subtractive triangular dither.

    Mean 0 and variance 3/12 + ... = 1/4 step squared (1/12 rounding + 2/12 dither), whatever
    the signal: Lipshitz, Wannamaker and Vanderkooy 1992, table of moments (from memory; the sum
    of three uniform variances 1/12 is elementary).
    """
    for level in (0.0, 0.25, 0.5, 0.77):
        signal = np.full((400_000, 1), (1000 + level) / 32768, dtype=np.float32)
        error = quantise(signal, 3).astype(float) - (1000 + level)
        assert abs(error.mean()) < 5 * 0.5 / np.sqrt(error.size)
        npt.assert_allclose(error.var(), 0.25, rtol=0.02)


def test_dither_has_the_triangular_shape() -> None:
    values = quantise(np.zeros((300_000, 1), dtype=np.float32), 4)
    shares = [np.mean(values == n) for n in (-1, 0, 1)]
    # Rounded triangle on (-1, 1): P(0) = 3/4, P(+-1) = 1/8 by area.
    npt.assert_allclose(shares, [0.125, 0.75, 0.125], atol=0.004)


def test_successive_dither_is_white() -> None:
    values = quantise(np.zeros((200_000, 2), dtype=np.float32), 5)
    left, right = values[:, 0].astype(float), values[:, 1].astype(float)
    limit = 5 / np.sqrt(len(left))
    assert abs(np.corrcoef(left[1:], left[:-1])[0, 1]) < limit
    assert abs(np.corrcoef(left, right)[0, 1]) < limit


def test_stored_noise_is_read_from_random_places_and_drawn_again() -> None:
    """Two long quantisations of silence have nothing in common, wherever they are shifted."""
    dither = Dither(7)
    values = []
    for _ in range(2):
        result = np.empty(1 << 19, dtype=np.int16)
        dither.quantise_into(result, np.zeros(1 << 19, dtype=np.int32))
        values.append(result.astype(float))
    one, other = values
    limit = 6 / np.sqrt(len(one))
    for half in (one[: 1 << 18], one[1 << 18 :]):  # within one: no repetition in step
        assert abs(np.corrcoef(half, other[: 1 << 18])[0, 1]) < limit * 1.5
    before = dither._noise.copy()
    for _ in range(16):
        dither.renew()
    assert np.mean(before == dither._noise) < 0.01


def test_full_scale_does_not_wrap() -> None:
    loud = np.array([[1.0], [-1.0], [1.7], [-1.7]], dtype=np.float32)
    values = quantise(np.repeat(loud, 1000, axis=0), 6)
    assert values[:1000].min() > 32760
    assert values[1000:2000].max() < -32760


def test_shorter_versions_are_padded() -> None:
    _, samples = unpack(build_blob([fixed_tone(4800), fixed_tone(4000)], RATE))
    assert samples.shape == (2, 4800, 2)
    assert np.abs(samples[1, 4000:]).max() <= 1, "dithered silence"


def test_channel_counts_must_agree() -> None:
    with pytest.raises(ValueError, match=r"share one channel count, got \[1, 2\]"):
        build_blob([fixed_tone(), fixed_tone()[:, :1]], RATE)


def test_a_trial_of_four_versions_takes_a_fraction_of_a_second() -> None:
    versions = [fixed_tone(15 * RATE) for _ in range(4)]
    build_blob(versions, RATE)
    started = time.process_time()
    blob = build_blob(versions, RATE)
    assert time.process_time() - started < 0.1
    assert len(blob) == 16 + 4 * 15 * RATE * 4


def test_the_cache_reads_what_the_manifest_says(shared_desk: Desk) -> None:
    cache = StimulusCache(shared_desk.root / "stimuli", shared_desk.manifest)
    record = shared_desk.manifest.stimulus("ceiling", "tin-roof")
    samples, rate = cache.get("ceiling", "tin-roof")
    expected, _ = soundfile.read(shared_desk.root / "stimuli" / record.file_name, always_2d=True)
    assert rate == RATE
    assert samples.dtype == np.int32
    npt.assert_array_equal(samples, expected * 2.0**31, "24-bit files are held exactly")
    assert cache.get("ceiling", "tin-roof")[0] is samples, "decoded once"


def test_the_cache_keeps_to_its_limit(shared_desk: Desk) -> None:
    one = RATE * 2 * 4
    cache = StimulusCache(shared_desk.root / "stimuli", shared_desk.manifest, limit_bytes=3 * one)
    for stage in ("untouched", "damped", "ceiling", "refit"):
        for programme in ("low-tide", "tin-roof"):
            cache.get(stage, programme)
            assert cache.kept_bytes <= 3 * one
    tiny = StimulusCache(shared_desk.root / "stimuli", shared_desk.manifest, limit_bytes=1)
    tiny.get("untouched", "low-tide")
    assert tiny.kept_bytes == one


def test_missing_and_changed_files_are_named(desk: Desk) -> None:
    cache = StimulusCache(desk.root / "stimuli", desk.manifest)
    with pytest.raises(NotFound, match="not in the stimulus set"):
        cache.get("untouched", "no-such")
    file = Path(desk.root / "stimuli" / desk.manifest.stimulus("untouched", "low-tide").file_name)
    data = bytearray(file.read_bytes())
    data[-1] ^= 1
    file.write_bytes(data)
    with pytest.raises(InputError, match=f"^{file.name}: .*hash differs"):
        cache.get("untouched", "low-tide")
    file.unlink()
    with pytest.raises(InputError, match="cannot be read"):
        cache.get("untouched", "low-tide")


def test_the_obvious_copy_is_dull_and_as_loud(shared_desk: Desk) -> None:
    cache = StimulusCache(shared_desk.root / "stimuli", shared_desk.manifest)
    kept, rate = cache.get("refit", "low-tide")
    treated_copy, _ = cache.get(treated("refit"), "low-tide")
    plain, dull = kept / 2.0**31, treated_copy / 2.0**31
    assert dull.shape == plain.shape
    npt.assert_allclose(
        integrated_loudness(dull, rate), integrated_loudness(plain, rate), atol=0.05
    )
    window = np.hanning(len(dull))  # keeps the edges of the excerpt out of the stop band
    spectrum = np.abs(np.fft.rfft(window * dull[:, 0].astype(float))) ** 2
    f_hz = np.fft.rfftfreq(len(dull), 1 / rate)
    above = spectrum[f_hz > 4500].mean() / spectrum[f_hz < 3000].mean()
    assert 10 * np.log10(above) < -50, "BS.1534-3 low anchor: 50 dB down from 4.5 kHz"


def test_the_obvious_copy_never_clips() -> None:
    rng = np.random.default_rng(9)
    harsh = np.sign(rng.normal(size=(RATE, 2))).astype(np.float32) * 0.95
    copy = lowpass_copy(harsh, RATE)
    assert np.abs(copy).max() <= 0.9
