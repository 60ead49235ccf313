"""Common ground of the methods that give a number to each of several versions."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from abx.errors import AnswerRefused

__all__ = ["Scale", "read_numbers"]


@dataclass(frozen=True, slots=True)
class Scale:
    """A scale as the player draws it.

    Attributes
    ----------
    low, high, step : float
        Ends and resolution.
    words : tuple of (float, float, str)
        Ranges with their words, best first.
    """

    low: float
    high: float
    step: float
    words: tuple[tuple[float, float, str], ...]

    def message(self) -> dict[str, Any]:
        """Return the scale for the trial message."""
        return {
            "low": self.low,
            "high": self.high,
            "step": self.step,
            "words": [{"from": low, "to": high, "word": word} for low, high, word in self.words],
        }


def read_numbers(raw: object, names: tuple[str, ...], scale: Scale) -> dict[str, float]:
    """Check the numbers given to versions.

    Raises
    ------
    AnswerRefused
        If a version has no number, or a number is off the scale.
    """
    if not isinstance(raw, Mapping) or set(raw) != set(names):
        raise AnswerRefused(f"Please give a value to each of: {', '.join(names).upper()}.")
    numbers = {}
    for name in names:
        value = raw[name]
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise AnswerRefused("Each value has to be a number.")
        if not math.isfinite(value) or not scale.low <= value <= scale.high:
            raise AnswerRefused(f"Each value has to lie from {scale.low:g} to {scale.high:g}.")
        numbers[name] = round(round(value / scale.step) * scale.step, 6)
    return numbers
