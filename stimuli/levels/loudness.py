"""Loudness and true peak by ITU-R BS.1770-5.

The K filter uses the Recommendation's coefficients at 48 kHz. At other rates they are derived
anew from the same analogue prototype, so that the frequency response stays put.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import sosfilt

from stimuli.levels.true_peak import true_peak_dbtp

__all__ = [
    "ABSOLUTE_GATE_LUFS",
    "LoudnessMeter",
    "block_loudness",
    "gated_loudness",
    "integrated_loudness",
    "k_weighting_sos",
    "mean_squares",
    "true_peak_dbtp",
]

Floats = NDArray[np.float64]

ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
OFFSET_DB = -0.691  # BS.1770-5 Annex 1, formula (2)

# BS.1770-5 Annex 1, tables 1 and 2: b0 b1 b2 a0 a1 a2 of the two stages at 48 kHz.
_SOS_48K = np.array(
    [
        [1.53512485958697, -2.69169618940638, 1.19839281085285,
         1.0, -1.69065929318241, 0.73248077421585],
        [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
    ]
)  # fmt: skip

# Analogue prototype that gives tables 1 and 2 at 48 kHz to 1e-14 by the bilinear transform
# (found by inverting it; the same constants are used by general-purpose R 128 libraries).
_SHELF_HZ, _SHELF_DB, _SHELF_Q = 1681.974450955533, 3.999843853973347, 0.7071752369554196
_SHELF_EXPONENT = 0.4996667741545416
_HIGHPASS_HZ, _HIGHPASS_Q = 38.13547087602444, 0.5003270373238773

SURROUND_WEIGHTS = (1.0, 1.0, 1.0, 1.41, 1.41)
"""Channel weights for L, R, C, Ls, Rs: BS.1770-5 Annex 1, table 3."""


@lru_cache(maxsize=16)
def _sos(rate: int) -> tuple[tuple[float, ...], ...]:
    if rate == 48000:
        return tuple(tuple(row) for row in _SOS_48K.tolist())
    k = np.tan(np.pi * _SHELF_HZ / rate)
    v_high = 10 ** (_SHELF_DB / 20)
    v_band = v_high**_SHELF_EXPONENT
    a0 = 1 + k / _SHELF_Q + k * k
    shelf = [
        (v_high + v_band * k / _SHELF_Q + k * k) / a0,
        2 * (k * k - v_high) / a0,
        (v_high - v_band * k / _SHELF_Q + k * k) / a0,
        1.0,
        2 * (k * k - 1) / a0,
        (1 - k / _SHELF_Q + k * k) / a0,
    ]
    k, at_48k = (np.tan(np.pi * _HIGHPASS_HZ / r) for r in (rate, 48000))
    a0 = 1 + k / _HIGHPASS_Q + k * k
    # Table 2 leaves the numerator at 1, -2, 1, which makes the passband gain 1.005 at 48 kHz and
    # another value at other rates; scaling it keeps the gain, and so the reading, the same.
    b0 = (1 + at_48k / _HIGHPASS_Q + at_48k * at_48k) / a0
    highpass = [b0, -2 * b0, b0, 1.0, 2 * (k * k - 1) / a0, (1 - k / _HIGHPASS_Q + k * k) / a0]
    return tuple(shelf), tuple(highpass)


def k_weighting_sos(rate: int) -> Floats:
    """Second-order sections of the K filter.

    Parameters
    ----------
    rate : int
        Sample rate in Hz, 8000 or more.

    Returns
    -------
    ndarray, shape (2, 6)
        Shelf and high-pass, in the layout of :func:`scipy.signal.sosfilt`.

    Raises
    ------
    ValueError
        If the rate is below 8000 Hz.
    """
    if rate < 8000:
        raise ValueError(f"rate is {rate} Hz but must be at least 8000")
    return np.array(_sos(int(rate)))


def mean_squares(
    x: ArrayLike, rate: int, *, hop_s: float = 0.1, state: Floats | None = None
) -> tuple[Floats, Floats]:
    """Energy of the K-weighted signal in successive hops.

    Parameters
    ----------
    x : array_like, shape (frames, channels)
        Signal; frames after the last whole hop are filtered but not counted.
    rate : int
        Sample rate in Hz.
    hop_s : float
        Length of a hop in seconds.
    state : ndarray, optional
        Filter state of the call before, to measure a stream in pieces of whole hops.

    Returns
    -------
    energy : ndarray, shape (n_hops, channels)
        Mean square of each hop.
    state : ndarray
        Filter state at the end.

    Raises
    ------
    ValueError
        If the samples are not of shape ``(frames, channels)``.
    """
    signal = np.asarray(x, dtype=float)
    if signal.ndim != 2:
        raise ValueError(f"x must have shape (frames, channels), got {signal.shape}")
    sos = k_weighting_sos(rate)
    if state is None:
        state = np.zeros((2, signal.shape[1], 2))
    if not len(signal):
        return np.zeros((0, signal.shape[1])), state
    # Channels first: the recursion runs several times faster along contiguous memory.
    weighted, state = sosfilt(sos, np.ascontiguousarray(signal.T), axis=1, zi=state)
    hop = round(hop_s * rate)
    n = weighted.shape[1] // hop
    blocks = weighted[:, : n * hop].reshape(len(weighted), n, hop)
    return np.einsum("kij,kij->ik", blocks, blocks) / hop, state


def block_loudness(
    energy: ArrayLike, hops_per_block: int, *, weights: Sequence[float] | None = None
) -> Floats:
    """Loudness of overlapping blocks from hop energies, in LUFS.

    Parameters
    ----------
    energy : array_like, shape (n_hops, channels)
        From :func:`mean_squares`.
    hops_per_block : int
        Block length in hops: 4 for 400 ms, 30 for 3 s, with hops of 100 ms.
    weights : sequence of float, optional
        Channel weights; all 1 for one or two channels, L R C Ls Rs for five.

    Returns
    -------
    ndarray, shape (n_hops - hops_per_block + 1,)
        Block loudness, ``-inf`` for silence.
    """
    power = _weighted(np.asarray(energy, dtype=float), weights)
    if len(power) < hops_per_block:
        return np.zeros(0)
    windows = np.lib.stride_tricks.sliding_window_view(power, hops_per_block)
    return _lufs(windows.mean(axis=1))


def _weighted(energy: Floats, weights: Sequence[float] | None) -> Floats:
    channels = energy.shape[1]
    if weights is None:
        if channels not in (1, 2, 5):
            raise ValueError(f"give channel weights for {channels} channels")
        weights = SURROUND_WEIGHTS[:channels]
    if len(weights) != channels:
        raise ValueError(f"{len(weights)} weights given for {channels} channels")
    return np.asarray(energy @ np.asarray(weights, dtype=float))


def _lufs(power: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        return np.asarray(OFFSET_DB + 10 * np.log10(power))


def gated_loudness(block_lufs: ArrayLike) -> float:
    """Integrated loudness of 400 ms blocks: absolute, then relative gate.

    Returns
    -------
    float
        LUFS; ``-inf`` if no block passes the absolute gate.
    """
    blocks = np.asarray(block_lufs, dtype=float)
    loud = blocks[blocks > ABSOLUTE_GATE_LUFS]
    if not loud.size:
        return float("-inf")
    gate = _mean_lufs(loud) + RELATIVE_GATE_LU
    return _mean_lufs(loud[loud > gate])


def _mean_lufs(blocks: Floats) -> float:
    return float(10 * np.log10(np.mean(10 ** (blocks / 10))))


def integrated_loudness(
    x: ArrayLike, rate: int, *, weights: Sequence[float] | None = None
) -> float:
    """Gated programme loudness of BS.1770-5 Annex 1, in LUFS.

    Parameters
    ----------
    x : array_like, shape (frames, channels)
        At least 400 ms; anything shorter has no block and reads ``-inf``.
    rate : int
        Sample rate in Hz.
    weights : sequence of float, optional
        Channel weights, see :func:`block_loudness`.

    Returns
    -------
    float
        ``-inf`` where no block is louder than -70 LUFS.

    Raises
    ------
    ValueError
        The signal is not of shape (frames, channels).

    Examples
    --------
    A sine of 997 Hz at full scale in one channel reads -3.01 LKFS (BS.1770-5 Annex 1).

    >>> import numpy as np
    >>> from stimuli import integrated_loudness
    >>> t = np.arange(2 * 48000) / 48000
    >>> round(integrated_loudness(np.sin(2 * np.pi * 997 * t)[:, None], 48000), 2)
    -3.01
    """
    energy, _ = mean_squares(x, rate)
    return gated_loudness(block_loudness(energy, 4, weights=weights))


class LoudnessMeter:
    """Integrated loudness of a stream in pieces of any length.

    Parameters
    ----------
    rate : int
        Sample rate in Hz.
    channels : int
        1, 2 or 5.
    """

    def __init__(self, rate: int, channels: int = 2) -> None:
        self._rate = rate
        self._hop = round(0.1 * rate)
        self._sos = k_weighting_sos(rate)
        self._state = np.zeros((2, channels, 2))
        self._rest = np.zeros((channels, 0))
        self._energy: list[Floats] = []

    def push(self, x: NDArray[np.floating]) -> None:
        """Take the next piece, shape (frames, channels)."""
        # Channels first: the recursion runs several times faster along contiguous memory.
        channels = np.ascontiguousarray(x.T, dtype=float)
        weighted, self._state = sosfilt(self._sos, channels, axis=1, zi=self._state)
        if self._rest.shape[1]:
            weighted = np.concatenate([self._rest, weighted], axis=1)
        n = weighted.shape[1] // self._hop
        blocks = weighted[:, : n * self._hop].reshape(len(weighted), n, self._hop)
        self._energy.append(np.einsum("kij,kij->ik", blocks, blocks) / self._hop)
        self._rest = weighted[:, n * self._hop :].copy()

    def integrated(self, *, gain_db: float = 0.0) -> float:
        """Gated loudness in LUFS of what was pushed so far, as if a gain had been applied."""
        if not self._energy:
            return float("-inf")
        energy = np.concatenate(self._energy) * 10 ** (gain_db / 10)
        return gated_loudness(block_loudness(energy, 4))
