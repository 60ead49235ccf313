"""A measured stage: reading response tables, averaging positions, the valid band.

A *response table* is text: frequency in Hz, level in dB, optional phase in degrees; cut by
comma, semicolon, tab or blanks; decimal point or comma; comment lines start with
``# * ; % "``; a header line is optional.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stimuli.files.errors import InputError
from stimuli.files.text_tables import NumberTable, read_number_table
from stimuli.response.bands import OCTAVE_RATIO, Bands, pink_band_level_db, third_octave_bands

__all__ = [
    "MUST_REACH_HZ",
    "Response",
    "StageResponse",
    "power_average",
    "read_response",
    "read_stage",
]

Floats = NDArray[np.float64]

MUST_REACH_HZ = (125.0, 8000.0)
"""A stage must be measured from at most the first to at least the second frequency.

Less than that is not a sound system heard with music (our choice, no source)."""

MIN_POINTS = 8
LEVEL_LIMIT_DB = 200.0
SPAN_LIMIT_DB = 120.0
_GAP_LIMIT_OCTAVES = 1.05
_NAME_TOLERANCE = 0.025  # nominal band names stray up to 1.6 % from exact mid-bands


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """One measured magnitude response, at one microphone position.

    Attributes
    ----------
    f_hz, level_db : ndarray, shape (n,)
        Ascending frequencies in Hz, levels in dB (any reference).
    phase_deg : ndarray, shape (n,), or None
        Phase in degrees, if the table had it.
    source : str
        File name, or a word for a made response.
    sha256 : str
        Hash of the file's bytes, empty for a made response.
    valid_hz : tuple of float, or None
        Range in which the measurement stands above its noise, where that is known.
    """

    f_hz: Floats
    level_db: Floats
    phase_deg: Floats | None = None
    source: str = "made"
    sha256: str = ""
    valid_hz: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class StageResponse:
    """A stage's response: the power average over microphone positions.

    Attributes
    ----------
    f_hz, level_db : ndarray, shape (n,)
        Frequencies in Hz and power-averaged level in dB.
    spread_db : ndarray, shape (n,)
        Standard deviation of the level over positions (n - 1), 0 for a single position.
    n_positions : int
        Number of tables averaged.
    valid_low_hz, valid_high_hz : float
        Band in which the response is known; outside it nothing is claimed.
    sources, sha256 : tuple of str
        Files averaged and their hashes.
    is_band_data : bool
        True where points are 1/3-octave band levels rather than points of a fine curve.
    """

    f_hz: Floats
    level_db: Floats
    spread_db: Floats
    n_positions: int
    valid_low_hz: float
    valid_high_hz: float
    sources: tuple[str, ...] = ()
    sha256: tuple[str, ...] = ()
    is_band_data: bool = True

    def level_at(self, f_hz: ArrayLike) -> Floats:
        """Level in dB at given frequencies: linear in dB over log frequency, held flat outside."""
        f = np.asarray(f_hz, dtype=float)
        return np.asarray(np.interp(np.log(f), np.log(self.f_hz), self.level_db))

    def bands(self) -> Bands:
        """1/3-octave bands that lie wholly inside the valid band."""
        every = third_octave_bands(10.0, 20000.0)
        return every.select(every.inside(self.valid_low_hz, self.valid_high_hz))

    def band_level_db(self, bands: Bands) -> Floats:
        """Level that the stage gives pink noise in each band, in dB.

        Band data are taken at the point that carries the band's name; a fine curve is
        averaged in power over the band, on a logarithmic frequency axis.
        """
        if self.is_band_data:
            return _at_band_names(self.f_hz, self.level_db, bands)
        grid = np.geomspace(bands.low_hz[0], bands.high_hz[-1], 64 * len(bands) + 1)
        return pink_band_level_db(grid, 10 ** (self.level_at(grid) / 10), bands)

    def band_spread_db(self, bands: Bands) -> Floats:
        """Spread over positions at each band, in dB, read at the band's mid frequency."""
        return np.asarray(np.interp(np.log(bands.mid_hz), np.log(self.f_hz), self.spread_db))


def _at_band_names(f_hz: Floats, level_db: Floats, bands: Bands) -> Floats:
    level = np.interp(np.log(bands.mid_hz), np.log(f_hz), level_db)
    nearest = np.abs(np.log(f_hz[None, :] / bands.mid_hz[:, None])).argmin(axis=1)
    named = np.abs(f_hz[nearest] / bands.mid_hz - 1) < _NAME_TOLERANCE
    return np.asarray(np.where(named, level_db[nearest], level))


def read_response(path: str | Path, *, whole_range: bool = True) -> Response:
    r"""Read one response table.

    Parameters
    ----------
    path : path
        The table; see the module's words for the format.
    whole_range : bool
        Ask for a table that can stand for a stage: enough points, reaching from the bass to
        the treble (:data:`MUST_REACH_HZ`). False for corrections and partial curves.

    Returns
    -------
    Response
        As written; levels keep their reference.

    Raises
    ------
    InputError
        For text where a number belongs, a single column, frequencies that are negative, zero,
        repeated or out of order, values that are not finite, absurd levels, an empty table, or
        too few points. Names file and line.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from stimuli import read_response
    >>> table = Path(tempfile.mkdtemp(), "seat.txt")
    >>> rows = [f"{1000 * 2**k}; 7{k + 5},5" for k in range(-5, 5)]
    >>> _ = table.write_text("frequency in Hz; level in dB\n" + "\n".join(rows))
    >>> response = read_response(table)
    >>> float(response.f_hz[0]), float(response.level_db[0])
    (31.25, 70.5)
    """
    table = read_number_table(path, min_columns=2, max_columns=3)
    _check_frequencies(table)
    _check_levels(table)
    columns = np.array(table.rows, dtype=float).T
    if whole_range:
        _check_reach(columns[0], table.source)
    phase = columns[2] if len(columns) > 2 else None
    return Response(columns[0], columns[1], phase, table.source, table.sha256)


def read_stage(paths: str | Path | Sequence[str | Path]) -> StageResponse:
    r"""Read a stage's tables, one a position, and power-average them.

    Parameters
    ----------
    paths : path or sequence of paths
        Response tables: frequency in Hz, level in dB, optional phase in degrees. One file alone is
        a stage measured at one position.

    Returns
    -------
    StageResponse
        Power-averaged level in dB, its spread over positions in dB, and the valid band in Hz.

    Raises
    ------
    InputError
        See :func:`read_response` and :func:`power_average`.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from stimuli import read_stage
    >>> folder = Path(tempfile.mkdtemp())
    >>> for place, level_db in (("port", 70), ("middle", 76)):
    ...     rows = [f"{1000 * 2**k}, {level_db}" for k in range(-5, 5)]
    ...     _ = (folder / f"{place}.csv").write_text("\n".join(rows))
    >>> stage = read_stage([folder / "port.csv", folder / "middle.csv"])
    >>> stage.n_positions, round(float(stage.level_db[0]), 1)
    (2, 74.0)
    """
    if isinstance(paths, str | Path):
        paths = [paths]
    return power_average([read_response(path) for path in paths])


def _check_frequencies(table: NumberTable) -> None:
    previous = 0.0
    for row, line in zip(table.rows, table.lines, strict=True):
        f = row[0]
        place = f"line {line}"
        if f <= 0:
            raise InputError(
                source=table.source,
                where=place,
                problem=f"frequency {f:g} Hz is not above zero",
                remedy="Remove the row, or check that the first column is frequency",
            )
        if f == previous:
            raise InputError(
                source=table.source,
                where=place,
                problem=f"frequency {f:g} Hz appears a second time",
                remedy="Keep one row for each frequency",
            )
        if f < previous:
            raise InputError(
                source=table.source,
                where=place,
                problem=f"frequency {f:g} Hz comes after {previous:g} Hz",
                remedy="Sort the rows by rising frequency, and check that the first column is "
                "frequency",
            )
        previous = f


def _check_levels(table: NumberTable) -> None:
    for row, line in zip(table.rows, table.lines, strict=True):
        if abs(row[1]) > LEVEL_LIMIT_DB:
            raise InputError(
                source=table.source,
                where=f"line {line}",
                problem=f"level {row[1]:g} dB is beyond {LEVEL_LIMIT_DB:g} dB",
                remedy="Check that the second column is level in dB",
            )
    levels = [row[1] for row in table.rows]
    span = max(levels) - min(levels)
    if span > SPAN_LIMIT_DB:
        line = table.lines[int(np.argmin(levels))]
        raise InputError(
            source=table.source,
            where=f"line {line}",
            problem=f"levels span {span:.0f} dB, more than any room measurement "
            f"({SPAN_LIMIT_DB:g} dB)",
            remedy="Check that the second column is level in dB and no point is a slip",
        )


def _check_reach(f_hz: Floats, source: str) -> None:
    low, high = MUST_REACH_HZ
    need = (
        f"Measure at least {MIN_POINTS} points reaching from {low:g} Hz or below to {high:g} Hz "
        "or above, best in 1/3-octave bands from 20 Hz to 20 kHz"
    )
    found = f"{len(f_hz)} points from {f_hz[0]:g} to {f_hz[-1]:g} Hz"
    if len(f_hz) < MIN_POINTS or f_hz[0] > low * 1.02 or f_hz[-1] < high * 0.98:
        hint = ""
        if f_hz[-1] <= 100 and f_hz[0] < 1:
            hint = " (are the frequencies in kHz? Hz are expected)"
        raise InputError(
            source=source,
            problem=f"{found} do not describe a sound system{hint}",
            remedy=need,
        )
    gaps = np.log2(f_hz[1:] / f_hz[:-1])
    used = (f_hz[1:] > low) & (f_hz[:-1] < high)
    gap = int(np.argmax(np.where(used, gaps, 0)))
    if gaps[gap] > _GAP_LIMIT_OCTAVES and used[gap]:
        raise InputError(
            source=source,
            problem=f"no point between {f_hz[gap]:g} and {f_hz[gap + 1]:g} Hz, a gap of "
            f"{gaps[gap]:.1f} octaves",
            remedy="Measure at least one point an octave; 1/3-octave bands are better",
        )


def power_average(responses: Sequence[Response]) -> StageResponse:
    """Average responses in power over microphone positions.

    Parameters
    ----------
    responses : sequence of Response
        One a position, levels in the same reference. Grids that differ are brought to the
        first one's, over the range that all share.

    Returns
    -------
    StageResponse
        Level ``10 log10(mean(10^(L/10)))`` and its spread over positions.

    Raises
    ------
    InputError
        If there is no response, or the shared range is too small for a stage.
    """
    if not responses:
        raise InputError(problem="a stage has no response", remedy="Give at least one table")
    low = max(r.f_hz[0] for r in responses)
    high = min(r.f_hz[-1] for r in responses)
    first = responses[0]
    f_hz = first.f_hz[(first.f_hz >= low) & (first.f_hz <= high)]
    if len(f_hz) < MIN_POINTS:
        names = ", ".join(r.source for r in responses)
        raise InputError(
            source=names,
            problem=f"the positions share only {len(f_hz)} points",
            remedy="Measure every position over the same range",
        )
    levels = np.array([np.interp(np.log(f_hz), np.log(r.f_hz), r.level_db) for r in responses])
    mean = 10 * np.log10(np.mean(10 ** (levels / 10), axis=0))
    spread = levels.std(axis=0, ddof=1) if len(levels) > 1 else np.zeros(len(f_hz))
    is_band_data = _is_band_data(f_hz)
    valid_low, valid_high = _valid_band(f_hz, is_band_data)
    known = [r.valid_hz for r in responses if r.valid_hz is not None]
    valid_low = max([valid_low, *(low for low, _ in known)])
    valid_high = min([valid_high, *(high for _, high in known)])
    return StageResponse(
        f_hz=f_hz,
        level_db=mean,
        spread_db=spread,
        n_positions=len(responses),
        valid_low_hz=valid_low,
        valid_high_hz=valid_high,
        sources=tuple(r.source for r in responses),
        sha256=tuple(r.sha256 for r in responses),
        is_band_data=is_band_data,
    )


def _is_band_data(f_hz: Floats) -> bool:
    """Tell 1/3-octave (or coarser) data from a fine curve by the median spacing."""
    spacing = float(np.median(np.log(f_hz[1:] / f_hz[:-1]) / np.log(OCTAVE_RATIO)))
    return spacing > 0.25


def _valid_band(f_hz: Floats, is_band_data: bool) -> tuple[float, float]:
    """Range that the data cover: a band level speaks for its whole band, a point for itself."""
    if not is_band_data:
        return float(f_hz[0]), float(f_hz[-1])
    half = OCTAVE_RATIO ** (1 / 6)
    ends = []
    for f in (f_hz[0], f_hz[-1]):
        mid = 1000 * 10 ** (round(10 * np.log10(f / 1000)) / 10)
        ends.append(mid if abs(f / mid - 1) < _NAME_TOLERANCE else float(f))
    return float(ends[0] / half), float(ends[1] * half)
