"""True peak by ITU-R BS.1770-5 Annex 2, for whole signals and for streams."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["TRUE_PEAK_FIR", "TruePeakMeter", "true_peak_dbtp"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

# BS.1770-5 Annex 2: 48-tap interpolator in four phases of 12 taps.
TRUE_PEAK_FIR = np.array(
    [
        [0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000,
         -0.0594482421875, 0.1373291015625, 0.9721679687500, -0.1022949218750,
         0.0476074218750, -0.0266113281250, 0.0148925781250, -0.0083007812500],
        [-0.0291748046875, 0.0292968750000, -0.0517578125000, 0.0891113281250,
         -0.1665039062500, 0.4650878906250, 0.7797851562500, -0.2003173828125,
         0.1015625000000, -0.0582275390625, 0.0330810546875, -0.0189208984375],
        [-0.0189208984375, 0.0330810546875, -0.0582275390625, 0.1015625000000,
         -0.2003173828125, 0.7797851562500, 0.4650878906250, -0.1665039062500,
         0.0891113281250, -0.0517578125000, 0.0292968750000, -0.0291748046875],
        [-0.0083007812500, 0.0148925781250, -0.0266113281250, 0.0476074218750,
         -0.1022949218750, 0.9721679687500, 0.1373291015625, -0.0594482421875,
         0.0332031250000, -0.0196533203125, 0.0109863281250, 0.0017089843750],
    ]
)  # fmt: skip

_STRETCH = 64
_ROW = 16  # outputs of one row of the interpolating product
_TAPS = TRUE_PEAK_FIR.shape[1]
_BATCH = 512


class TruePeakMeter:
    """True peak of a stream in pieces of any length.

    Parameters
    ----------
    rate : int
        Sample rate in Hz. Oversampling is 4 times below 80 kHz, 2 times to 160 kHz, 1 above.
    channels : int
        Number of channels.

    Notes
    -----
    Exact for the Recommendation's interpolator but skips stretches that cannot hold the peak:
    no interpolated value exceeds the largest sample near it times the largest sum of
    magnitudes of the taps of one phase. Interpolation runs in single precision (1e-6 dB).
    The plain sample peak counts too, which the Recommendation's interpolator alone can miss.
    """

    def __init__(self, rate: int, channels: int = 2) -> None:
        self._phases = _phases(rate)
        self._carry = np.zeros((channels, _TAPS - 1), dtype=np.float32)
        self._peak = 0.0
        if len(self._phases):
            self._bound = float(np.abs(self._phases).sum(axis=1).max())
            self._product = _interpolating_product(self._phases)

    def push(self, x: NDArray[np.floating]) -> None:
        """Take the next piece, shape (channels, frames): channels first, as blocks are kept."""
        if not x.shape[1]:
            return
        self._peak = max(self._peak, float(x.max()), -float(x.min()))
        if not len(self._phases):
            return
        joined = np.concatenate([self._carry, x.astype(np.float32, copy=False)], axis=1)
        for channel in joined:
            self._scan(channel)
        self._carry = joined[:, -(_TAPS - 1) :].copy()

    def _scan(self, x: Singles) -> None:
        outputs = len(x) - (_TAPS - 1)
        count = -(-outputs // _STRETCH)
        # Past the end the row is filled with zeros; those outputs are cut off again below.
        padded = np.zeros(count * _STRETCH + _TAPS - 1, dtype=np.float32)
        padded[: len(x)] = x
        local = np.abs(padded[_TAPS - 1 :]).reshape(count, _STRETCH).max(axis=1)
        before = np.abs(padded[: _TAPS - 1]).max()
        near = np.maximum(local, np.concatenate([[before], local[:-1]]))
        able = np.flatnonzero(near * self._bound > self._peak)
        order = able[np.argsort(near[able])[::-1]]
        rows = np.lib.stride_tricks.sliding_window_view(padded, _STRETCH + _TAPS - 1)[::_STRETCH]
        for start in range(0, len(order), _BATCH):
            batch = order[start : start + _BATCH]
            if near[batch[0]] * self._bound <= self._peak:
                break
            valid = np.minimum(outputs - batch * _STRETCH, _STRETCH)
            self._peak = max(self._peak, _batch_peak(rows[batch], self._product, valid))

    def dbtp(self) -> float:
        """Return the true peak of what was pushed so far, in dBTP; ``-inf`` for silence."""
        self._finish()
        return float(20 * np.log10(self._peak)) if self._peak > 0 else float("-inf")

    def _finish(self) -> None:
        """Let the interpolator ring out after the last sample, without ending the stream."""
        if len(self._phases):
            for channel in self._carry:
                self._scan(np.concatenate([channel, np.zeros(_TAPS - 1, dtype=np.float32)]))


def true_peak_dbtp(x: ArrayLike, rate: int) -> float:
    """Largest true peak over channels, in dBTP.

    Parameters
    ----------
    x : array_like, shape (frames, channels)
        Signal; full scale is 1.
    rate : int
        Sample rate in Hz, see :class:`TruePeakMeter`.

    Returns
    -------
    float
        ``-inf`` for silence.
    """
    signal = np.asarray(x)
    if signal.ndim != 2:
        raise ValueError(f"x must have shape (frames, channels), got {signal.shape}")
    meter = TruePeakMeter(rate, signal.shape[1])
    meter.push(np.ascontiguousarray(signal.T))
    return meter.dbtp()


def _phases(rate: int) -> Floats:
    if rate < 80000:
        return TRUE_PEAK_FIR
    if rate < 160000:
        return TRUE_PEAK_FIR[[0, 2]]
    return np.zeros((0, _TAPS))


def _interpolating_product(phases: Floats) -> Singles:
    """Matrix that takes ``_ROW + 11`` samples to all interpolated values of ``_ROW`` samples."""
    matrix = np.zeros((_ROW + _TAPS - 1, len(phases), _ROW), dtype=np.float32)
    for i in range(_ROW):
        matrix[i : i + _TAPS, :, i] = phases[:, ::-1].T
    return matrix.reshape(_ROW + _TAPS - 1, -1)


_STACK = 64  # windows to one product


def _batch_peak(rows: Singles, product: Singles, valid: NDArray[np.int_]) -> float:
    if (valid < _STRETCH).any():
        # The last row of a piece: outputs past its end belong to the next piece.
        partial = valid < _STRETCH
        cut = [
            _row_peak(row, product, n) for row, n in zip(rows[partial], valid[partial], strict=True)
        ]
        rows = rows[~partial]
        return max([*cut, _batch_peak(rows, product, valid[~partial]) if len(rows) else 0.0])
    width = _ROW + _TAPS - 1
    windows = np.lib.stride_tricks.sliding_window_view(rows, width, axis=1)[:, ::_ROW]
    flat = np.ascontiguousarray(windows).reshape(-1, width)
    if len(flat) % _STACK:
        flat = np.concatenate([flat, np.zeros((-len(flat) % _STACK, width), np.float32)])
    # A stack of small products: BLAS does each on the calling thread. One large product would
    # wake BLAS's own threads, which fight with ours and cost ten times the work itself.
    values = flat.reshape(-1, _STACK, width) @ product
    return float(max(values.max(), -values.min()))


def _row_peak(row: Singles, product: Singles, outputs: int) -> float:
    width = _ROW + _TAPS - 1
    windows = np.lib.stride_tricks.sliding_window_view(row, width)[::_ROW]
    values = (windows @ product).reshape(len(windows), -1, _ROW)
    index = np.arange(len(windows))[:, None, None] * _ROW + np.arange(_ROW)
    return float(np.abs(np.where(index < outputs, values, 0)).max())
