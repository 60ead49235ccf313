"""Target curves: what a stage's response is compared with."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stimuli.files.errors import InputError
from stimuli.response.measured import read_response

__all__ = [
    "BUILT_IN_TARGETS",
    "Target",
    "built_in_target",
    "current_name",
    "piecewise_target",
    "read_target",
]

Floats = NDArray[np.float64]

# The trade's usual target (common practice, no source): about +6 dB from 25 to 125 Hz,
# sloping to 0 dB at 200 Hz, flat to 12.5 kHz, falling above. The amount of the fall is ours.
_HOUSE_CURVE = ((25.0, 6.0), (125.0, 6.0), (200.0, 0.0), (12500.0, 0.0), (20000.0, -4.0))

BUILT_IN_TARGETS: dict[str, tuple[tuple[tuple[float, float], ...], str]] = {
    "house-curve": (
        _HOUSE_CURVE,
        "common practice, no source: about +6 dB from 25 to 125 Hz, sloping to 0 dB at 200 Hz, "
        "flat to 12.5 kHz, falling above (by 4 dB at 20 kHz: our choice)",
    ),
    "flat": (((20.0, 0.0), (20000.0, 0.0)), "0 dB everywhere"),
}

# Study files that are sealed cannot be edited, so a name that was once given is read for good.
_FORMER_NAMES = {"car-cabin": "house-curve"}


@dataclass(frozen=True, slots=True, eq=False)
class Target:
    """A piecewise target: straight lines in dB over log frequency between named points.

    Attributes
    ----------
    name : str
        Name for pictures and reports.
    f_hz, level_db : ndarray, shape (n,)
        Break points, ascending; levels are relative, only their shape matters.
    note : str
        Where the target comes from.
    sha256 : str
        Hash of the break points, the same for the same curve from any origin.
    """

    name: str
    f_hz: Floats
    level_db: Floats
    note: str
    sha256: str

    def level_at(self, f_hz: ArrayLike) -> Floats:
        """Target level in dB at given frequencies; the end levels are held outside."""
        f = np.asarray(f_hz, dtype=float)
        return np.asarray(np.interp(np.log(f), np.log(self.f_hz), self.level_db))


def piecewise_target(
    points: Sequence[Sequence[float]], *, name: str = "custom", note: str = ""
) -> Target:
    """Make a target from break points.

    Parameters
    ----------
    points : sequence of (f_hz, level_db)
        At least two, frequencies positive and rising.

    Raises
    ------
    InputError
        If the points do not describe a curve.
    """
    for i, point in enumerate(points):
        if len(point) != 2 or not np.all(np.isfinite(point)) or point[0] <= 0:
            raise InputError(
                source=None,
                where=f"target point {i + 1}",
                problem=f"{list(point)!r} is not a frequency above 0 Hz and a level in dB",
                remedy="Write each point as [frequency, level]",
            )
    if len(points) < 2:
        raise InputError(
            problem=f"a target needs at least two points, {len(points)} given",
            remedy="Write points as [[25, 6.0], [125, 6.0], [200, 0.0], ...]",
        )
    table = np.array(points, dtype=float)
    falls = np.flatnonzero(np.diff(table[:, 0]) <= 0)
    if falls.size:
        raise InputError(
            where=f"target point {falls[0] + 2}",
            problem=f"frequency {table[falls[0] + 1, 0]:g} Hz does not rise above "
            f"{table[falls[0], 0]:g} Hz",
            remedy="Sort the points by rising frequency",
        )
    text = ";".join(f"{f:.6g},{level:.6g}" for f, level in table)
    digest = hashlib.sha256(text.encode()).hexdigest()
    return Target(name, table[:, 0], table[:, 1], note, digest)


def current_name(name: str) -> str:
    """Return the name that a built-in target has today; any other text as it is."""
    return _FORMER_NAMES.get(name, name)


def built_in_target(name: str) -> Target:
    """Look up a built-in target by name.

    Parameters
    ----------
    name : str
        A key of :data:`BUILT_IN_TARGETS`: ``"house-curve"`` or ``"flat"``; a former name
        is read as well.

    Returns
    -------
    Target
        Levels in dB over frequency in Hz; only the shape matters.

    Raises
    ------
    InputError
        If there is no target of that name.

    Examples
    --------
    >>> from stimuli import built_in_target
    >>> built_in_target("house-curve").level_at([60, 1000]).tolist()
    [6.0, 0.0]
    """
    known = current_name(name)
    if known not in BUILT_IN_TARGETS:
        raise InputError(
            where="target",
            problem=f"there is no built-in target {name!r}",
            remedy=f"Use one of: {', '.join(BUILT_IN_TARGETS)}; or give points or a file",
        )
    points, note = BUILT_IN_TARGETS[known]
    return piecewise_target(points, name=known, note=note)


def read_target(path: str | Path) -> Target:
    r"""Read a target from a table in the response-table format.

    Parameters
    ----------
    path : path
        Frequency in Hz and level in dB, one break point a row.

    Returns
    -------
    Target
        Named after the file.

    Raises
    ------
    InputError
        See :func:`stimuli.response.measured.read_response`.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from stimuli import read_target
    >>> table = Path(tempfile.mkdtemp(), "warm.csv")
    >>> _ = table.write_text("20, 4\n200, 0\n20000, 0")
    >>> read_target(table).level_at([20, 1000]).tolist()
    [4.0, 0.0]
    """
    table = read_response(path, whole_range=False)
    points = list(zip(table.f_hz.tolist(), table.level_db.tolist(), strict=True))
    note = f"imported from {table.source}"
    try:
        return piecewise_target(points, name=Path(path).stem, note=note)
    except InputError as error:
        raise InputError(
            source=table.source, where=error.where, problem=error.problem, remedy=error.remedy
        ) from error
