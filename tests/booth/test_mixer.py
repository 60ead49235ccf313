"""The mixer's output against the rule, in blocks of every size."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfiltfilt

from abx.booth.mixer import Mixer

RATE = 48_000
FADE = 240  # 5 ms, practice of ITU-R BS.1534-3


def versions(n: int = 3, seconds: float = 0.5) -> list[np.ndarray]:
    rng = np.random.default_rng(3)
    shape = (round(seconds * RATE), 2)
    return [rng.uniform(-0.3, 0.3, shape).astype(np.float32) for _ in range(n)]


def rise(n: int) -> np.ndarray:
    return 0.5 - 0.5 * np.cos(np.pi * np.arange(1, n + 1) / n)


def smooth_ends(version: np.ndarray) -> np.ndarray:
    out = version.astype(float)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(FADE) / FADE)
    out[:FADE] *= ramp[:, None]
    out[-FADE:] *= ramp[::-1, None]
    return out


def test_switching_fades_out_then_in_and_stays_in_step() -> None:
    sounds = versions()
    mixer = Mixer(sounds, RATE)
    mixer.play()
    rng = np.random.default_rng(5)
    blocks, position = [], 0
    switch_at: list[tuple[int, int]] = []
    while position < 3 * RATE:
        if position > RATE + 9_000 * len(switch_at):
            index = (len(switch_at) + 1) % 3
            mixer.select(index)
            switch_at.append((position, index))
        n = int(rng.integers(1, 2000))
        blocks.append(mixer.render(n))
        position += n
    out = np.vstack(blocks)
    gains = np.zeros((3, len(out)))
    gains[0] = 1.0
    now = 0
    for at, index in switch_at:
        gains[now, at : at + FADE] = 1 - rise(FADE)
        gains[now, at + FADE :] = 0.0
        gains[index, at + FADE : at + 2 * FADE] = rise(FADE)
        gains[index, at + 2 * FADE :] = 1.0
        now = index
    turn = np.arange(len(out)) % len(sounds[0])
    expected = sum(g[:, None] * smooth_ends(s)[turn] for g, s in zip(gains, sounds, strict=True))
    start = round(0.35 * RATE)
    expected[:start] *= rise(start)[:, None]
    assert len(switch_at) >= 8
    np.testing.assert_allclose(out, expected, atol=2e-7)
    assert mixer.switches == len(switch_at)
    assert sum(mixer.listened_frames) == len(out)


def test_pause_holds_the_place_and_resumes_quietly() -> None:
    mixer = Mixer(versions(1), RATE)
    mixer.play()
    mixer.render(RATE)
    mixer.pause()
    mixer.render(4800)
    place = mixer.position
    assert mixer.silent
    assert not mixer.render(4800).any()
    assert mixer.position == place
    mixer.play()
    assert np.abs(mixer.render(10)).max() < 1e-3
    assert np.abs(mixer.render(4800)).max() > 0.25


def test_no_click_on_a_sine_however_fast_it_is_switched() -> None:
    t = np.arange(RATE) / RATE
    sines = [
        np.column_stack([0.5 * np.sin(2 * np.pi * 1000 * t + phase)] * 2).astype(np.float32)
        for phase in (0.0, np.pi / 2)
    ]
    mixer = Mixer(sines, RATE)
    mixer.play()
    out = [mixer.render(RATE)]
    for k in range(60):
        mixer.select((k + 1) % 2)
        out.append(mixer.render(97 + 31 * (k % 9)))
    out.append(mixer.render(RATE // 2))
    high = sosfiltfilt(butter(8, 6000, "highpass", fs=RATE, output="sos"), np.vstack(out), axis=0)
    assert 20 * np.log10(np.abs(high[1000:-1000]).max()) < -60


def test_versions_must_be_of_one_shape() -> None:
    with pytest.raises(ValueError, match="of one shape"):
        Mixer([np.zeros((10, 2), np.float32), np.zeros((9, 2), np.float32)], RATE)
    with pytest.raises(IndexError, match="version 2 of 2"):
        Mixer([np.zeros((10, 2), np.float32)] * 2, RATE).select(2)
