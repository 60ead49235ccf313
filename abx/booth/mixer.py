"""Versions in step, switched inside the audio callback.

The same rule as in the browser's player: all versions run together in one loop, the one that
sounds fades out over 5 ms, then the other fades in over 5 ms (practice of ITU-R BS.1534-3),
never both at once; a start rises from silence.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["FADE_S", "RESUME_RAMP_S", "START_RAMP_S", "Mixer"]

FADE_S = 0.005
START_RAMP_S = 0.35
RESUME_RAMP_S = 0.05
_PAUSE_S = 0.01

Samples = NDArray[np.float32]


def raised_cosine(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rise from 0 to 1 while x goes from 0 to 1."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(x, 0.0, 1.0)))


class Mixer:
    """Render the version that is selected, block by block.

    :meth:`render` runs in the audio thread; :meth:`select`, :meth:`play` and :meth:`pause` may
    be called from any other thread, each sets one attribute.

    Parameters
    ----------
    versions : sequence of ndarray, each (frames, channels)
        Samples within ±1, all of one shape.
    rate : int
        Sample rate in Hz.
    gain : float, optional
        Linear level. Only the level step changes it; a new value is reached within a block.

    Raises
    ------
    ValueError
        If there is no version or the shapes differ.
    """

    def __init__(self, versions: Sequence[Samples], rate: int, *, gain: float = 1.0) -> None:
        shapes = {version.shape for version in versions}
        if len(shapes) != 1:
            raise ValueError(f"versions must be of one shape, got {sorted(shapes)}")
        self.rate = rate
        self.gain = gain
        self._gain_now = gain
        self.fade_frames = round(FADE_S * rate)
        self._versions = [self._with_smooth_ends(version) for version in versions]
        self.frames, self.channels = versions[0].shape
        self.current = 0
        self.position = 0
        self.switches = 0
        self.listened_frames = [0] * len(versions)
        self._wanted = 0
        self._fade: str | None = None
        self._fade_done = 0
        self._ramp = (0.0, 0.0, 1, 1)  # from, to, frames done, frames in all
        self._playing = False
        self._started = False

    def _with_smooth_ends(self, version: Samples) -> Samples:
        n = min(self.fade_frames, len(version) // 2)
        rise = raised_cosine(np.arange(n) / n).astype(np.float32)[:, None]
        result = version.astype(np.float32, copy=True)
        result[:n] *= rise
        result[len(result) - n :] *= rise[::-1]
        return result

    # Called by the listener's side ----------------------------------------------------------

    @property
    def playing(self) -> bool:
        """Whether sound is wanted."""
        return self._playing

    def select(self, index: int) -> None:
        """Make a version the one that sounds.

        Raises
        ------
        IndexError
            If there is no such version.
        """
        if not 0 <= index < len(self._versions):
            raise IndexError(f"version {index} of {len(self._versions)}")
        if index != self._wanted and self._started:
            self.switches += 1
        self._wanted = index

    def play(self) -> None:
        """Start or go on, from silence and rising."""
        self._playing = True

    def pause(self) -> None:
        """Fade out and stay where we are."""
        self._playing = False

    def listened_s(self) -> list[float]:
        """Return the seconds each version has sounded."""
        return [frames / self.rate for frames in self.listened_frames]

    # Called by the audio thread ---------------------------------------------------------------

    def render(self, n_frames: int) -> Samples:
        """Return the next block, shape ``(n_frames, channels)``."""
        self._follow_transport()
        out = np.zeros((n_frames, self.channels), dtype=np.float32)
        done = 0
        while done < n_frames:
            if self._silent():
                break
            self._follow_selection()
            step = min(n_frames - done, self._frames_to_boundary())
            out[done : done + step] = self._piece(step)
            done += step
        return out

    def _follow_transport(self) -> None:
        target = 1.0 if self._playing else 0.0
        start, to, done, total = self._ramp
        if target == to:
            return
        now = start + (to - start) * float(raised_cosine(np.array(done / total)))
        seconds = (RESUME_RAMP_S if self._started else START_RAMP_S) if target else _PAUSE_S
        self._ramp = (now, target, 0, max(1, round(seconds * self.rate)))
        if target and not self._started:
            self._started = True
            self.current = self._wanted

    @property
    def silent(self) -> bool:
        """Whether a pause has been reached."""
        return not self._playing and self._silent()

    def _silent(self) -> bool:
        _, to, done, total = self._ramp
        return to == 0.0 and done >= total

    def _follow_selection(self) -> None:
        if self._fade is None and self._wanted != self.current:
            self._fade, self._fade_done = "out", 0
        elif self._fade == "out" and self._fade_done >= self.fade_frames:
            self.current = self._wanted
            self._fade, self._fade_done = "in", 0
        elif self._fade == "in" and self._fade_done >= self.fade_frames:
            self._fade = None
            self._follow_selection()

    def _frames_to_boundary(self) -> int:
        ahead = self.frames - self.position
        if self._fade is not None:
            ahead = min(ahead, self.fade_frames - self._fade_done)
        _, _, done, total = self._ramp
        if done < total:
            ahead = min(ahead, total - done)
        return ahead

    def _piece(self, n: int) -> Samples:
        index = np.arange(1, n + 1)
        level = np.linspace(self._gain_now, self.gain, n)
        self._gain_now = self.gain
        if self._fade is not None:
            rise = raised_cosine((self._fade_done + index) / self.fade_frames)
            level *= rise if self._fade == "in" else 1.0 - rise
            self._fade_done += n
        start, to, done, total = self._ramp
        if done < total:
            level *= start + (to - start) * raised_cosine((done + index) / total)
            self._ramp = (start, to, done + n, total)
        else:
            level *= to
        source = self._versions[self.current][self.position : self.position + n]
        self.position = (self.position + n) % self.frames
        self.listened_frames[self.current] += n
        return np.asarray(source * level[:, None], dtype=np.float32)
