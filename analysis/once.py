"""Pieces of an analysis that need not be worked out twice."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from analysis.tables.trials import TrialTable

__all__ = ["Once"]

_T = TypeVar("_T")


class Once:
    """Pieces that were worked out already.

    The screened table holds some listeners' trials of the whole one: with as many trials of a kind
    it holds the same ones, and what rests on them alone need not be worked out again.
    """

    def __init__(self) -> None:
        self._known: dict[tuple[str, int, str | None], Any] = {}

    def get(
        self,
        name: str,
        trials: TrialTable,
        methods: Sequence[str],
        make: Callable[[], _T],
        *,
        reference: str | None = None,
    ) -> _T:
        """Return what `make` returns, once for the same trials of some methods."""
        rows = int(trials.frame["method"].isin(methods).sum())
        key = (name, rows, reference)
        if key not in self._known:
            self._known[key] = make()
        found: _T = self._known[key]
        return found
