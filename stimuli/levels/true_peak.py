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

_PART = 256  # frames judged together
_PARTS = 16  # of them to a stretch, which is looked at as a whole first
_STRETCH = _PARTS * _PART
_ROW = 16  # outputs of one row of the interpolating product
_TAPS = TRUE_PEAK_FIR.shape[1]
_BATCH = 32


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
    Exact for the Recommendation's interpolator but skips stretches that cannot hold the peak. Two
    bounds rule them out: no interpolated value exceeds the largest sample near it times the
    largest sum of magnitudes of the taps of one phase; and none exceeds what a straight line
    between two samples gives by more than the signal's second differences allow.
    Interpolation runs in single precision (1e-6 dB). The plain sample peak counts too, which
    the Recommendation's interpolator alone can miss.
    """

    def __init__(self, rate: int, channels: int = 2) -> None:
        self._phases = _phases(rate)
        self._carry = np.zeros((_TAPS - 1, channels), dtype=np.float32)
        self._peak = 0.0
        if len(self._phases):
            self._bound = float(np.abs(self._phases).sum(axis=1).max())
            self._line, self._bend = _line_and_bend(self._phases)
            self._product = _interpolating_product(self._phases)

    def push(self, x: NDArray[np.floating]) -> None:
        """Take the next piece, shape (frames, channels)."""
        if not len(x):
            return
        if not len(self._phases):
            self._peak = max(self._peak, float(x.max()), -float(x.min()))
            return
        piece = np.ascontiguousarray(x, dtype=np.float32)
        # Only the seam is joined to what waits; most of the piece is looked at where it lies.
        seam = 2 * _STRETCH + _TAPS - 1 - len(self._carry)
        if len(piece) < seam:
            piece = np.concatenate([self._carry, piece])
        else:
            self._scan(np.concatenate([self._carry, piece[:seam]]), 2)
            piece = piece[seam - (_TAPS - 1) :]
        count = (len(piece) - (_TAPS - 1)) // _STRETCH
        self._scan(piece, count)
        self._carry = piece[count * _STRETCH :].copy()

    def _scan(self, x: Singles, count: int) -> None:
        """Look through whole stretches: outputs 0 to ``count * _STRETCH``, taps before them."""
        if not count:
            return
        channels = x.shape[1]
        flat = x[: count * _STRETCH + _TAPS - 1].ravel()
        near, which = self._able(flat, channels)
        if not len(which):
            return
        rows = _overlapping(flat, _PART * channels, (_TAPS - 1) * channels)[which]
        bound = np.minimum(
            near * self._bound, near * self._line + _bends(rows, channels) * self._bend
        )
        order = np.argsort(bound)[::-1]
        for start in range(0, len(order), _BATCH):
            batch = order[start : start + _BATCH]
            batch = batch[bound[batch] > self._peak]
            if not len(batch):
                break
            each = rows[batch].reshape(len(batch), -1, channels).transpose(0, 2, 1)
            each = each.reshape(len(batch) * channels, -1)
            self._peak = max(self._peak, _rows_peak(each, self._product))

    def _able(self, flat: Singles, channels: int) -> tuple[Singles, NDArray[np.intp]]:
        """Parts of stretches that may hold the peak: largest sample near each, and its index.

        Samples count towards the peak here.
        """
        head = (_TAPS - 1) * channels
        stretches = flat[head:].reshape(-1, _STRETCH * channels)
        local = _largest(stretches)
        self._peak = max(self._peak, float(local.max()))
        before = np.append(np.abs(flat[:head]).max(), local[:-1])
        able = np.flatnonzero(np.maximum(local, before) * self._bound > self._peak)
        parts = _largest(stretches[able].reshape(-1, _PART * channels)).reshape(-1, _PARTS)
        near = np.maximum(parts, np.column_stack([before[able], parts[:, :-1]]))
        stretch, part = np.nonzero(near * self._bound > self._peak)
        return near[stretch, part], able[stretch] * _PARTS + part

    def dbtp(self) -> float:
        """Return the true peak of what was pushed so far, in dBTP; ``-inf`` for silence."""
        if len(self._phases):
            # Let the interpolator ring out after the last sample, without ending the stream.
            waiting = len(self._carry) + _TAPS - 1
            count = -(-(waiting - (_TAPS - 1)) // _STRETCH)
            rung = np.zeros((count * _STRETCH + _TAPS - 1, self._carry.shape[1]), dtype=np.float32)
            rung[: len(self._carry)] = self._carry
            self._scan(rung, count)
        return float(20 * np.log10(self._peak)) if self._peak > 0 else float("-inf")


def _largest(rows: Singles) -> Singles:
    """Largest magnitude of each row; faster than taking all magnitudes first."""
    return np.asarray(np.maximum(rows.max(axis=1), -rows.min(axis=1)))


def _overlapping(flat: Singles, step: int, overlap: int) -> Singles:
    """View of rows ``step`` apart that each reach ``overlap`` into the next."""
    shape = ((len(flat) - overlap) // step, step + overlap)
    size = flat.itemsize
    return np.ndarray(shape, flat.dtype, flat, strides=(step * size, size))


def _bends(rows: Singles, channels: int) -> Singles:
    """Largest magnitude of the second differences of each row of interleaved channels."""
    second = rows[:, 2 * channels :] + rows[:, : -2 * channels]
    middle = rows[:, channels:-channels]
    second -= middle
    second -= middle
    return _largest(second)


def _line_and_bend(phases: Floats) -> tuple[float, float]:
    """Bound each phase by a straight line between its middle samples plus second differences.

    Taps less two middle ones of the same sum and first moment are a filter of second
    differences; its coefficients are the taps' double running sum.
    """
    line, bend = 0.0, 0.0
    for taps in phases[:, ::-1]:
        total, moment = taps.sum(), taps @ np.arange(_TAPS)
        left = _TAPS // 2 - 1
        right_tap = moment - left * total
        rest = taps.copy()
        rest[left] -= total - right_tap
        rest[left + 1] -= right_tap
        line = max(line, abs(total - right_tap) + abs(right_tap))
        bend = max(bend, np.abs(np.cumsum(np.cumsum(rest))).sum())
    return float(line) * (1 + 1e-6), float(bend) * (1 + 1e-6)


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

    Raises
    ------
    ValueError
        The signal is not of shape (frames, channels).

    Examples
    --------
    A sine of a quarter of the sample rate, met 45 degrees beside its peaks: samples of -3.01 dBFS,
    a true peak near 0 dBTP.

    >>> import numpy as np
    >>> from stimuli import true_peak_dbtp
    >>> x = np.sin(np.pi / 2 * np.arange(4800) + np.pi / 4)[:, None]
    >>> bool(abs(true_peak_dbtp(x, 48000)) < 0.3)
    True
    """
    signal = np.asarray(x)
    if signal.ndim != 2:
        raise ValueError(f"x must have shape (frames, channels), got {signal.shape}")
    meter = TruePeakMeter(rate, signal.shape[1])
    meter.push(signal)
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


def _rows_peak(rows: Singles, product: Singles) -> float:
    width = _ROW + _TAPS - 1
    windows = np.lib.stride_tricks.sliding_window_view(rows, width, axis=1)[:, ::_ROW]
    flat = np.ascontiguousarray(windows).reshape(-1, width)
    if len(flat) % _STACK:
        flat = np.concatenate([flat, np.zeros((-len(flat) % _STACK, width), np.float32)])
    # A stack of small products: BLAS does each on the calling thread. One large product would
    # wake BLAS's own threads, which fight with ours and cost ten times the work itself.
    values = flat.reshape(-1, _STACK, width) @ product
    return float(max(values.max(), -values.min()))
