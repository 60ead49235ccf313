"""One measured figure, as every bench can hand it to the table of all benches."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass

__all__ = ["Figure", "emit", "emitted"]

_MARK = "figure: "


@dataclass(frozen=True, slots=True)
class Figure:
    """A row of the table.

    Attributes
    ----------
    what : str
        What was measured.
    ours : str
        The figure with its unit.
    plain : str
        The straightforward alternative and its figure, measured in the same run; empty for none.
    ratio : str
        Ours against the alternative, in words with a number.
    bar : str
        What the figure is held to; empty for none.
    met : bool or None
        Whether the bar is met; None without a bar.
    """

    what: str
    ours: str
    plain: str = ""
    ratio: str = ""
    bar: str = ""
    met: bool | None = None


def emit(figures: Iterable[Figure]) -> None:
    """Print figures as lines that :func:`emitted` finds among other output."""
    for figure in figures:
        print(_MARK + json.dumps(asdict(figure)), flush=True)


def emitted(output: str) -> list[Figure]:
    """Return the figures that a bench printed."""
    lines = [line for line in output.splitlines() if line.startswith(_MARK)]
    return [Figure(**json.loads(line.removeprefix(_MARK))) for line in lines]
