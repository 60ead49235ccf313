"""Reproducible randomness that anyone can recompute: SHA-256 in counter mode.

Library generators change between versions. A sealed schedule must be recomputable years later
and in any language, so its randomness is nothing but SHA-256 of a key and a counter.
"""

from __future__ import annotations

import hashlib
from collections.abc import MutableSequence, Sequence
from typing import TypeVar

__all__ = ["Stream"]

_T = TypeVar("_T")


class Stream:
    """Random draws that depend on a seed and a list of labels, and on nothing else.

    Parameters
    ----------
    seed : bytes
        The secret.
    *labels : str or int
        What the draws are for; different labels give independent streams.

    Notes
    -----
    Block ``i`` is ``SHA-256(key || i as 8 bytes big-endian)`` with
    ``key = SHA-256(seed || 0x00 || "label/label/...")`` in UTF-8. Draws take 8 bytes each.
    """

    def __init__(self, seed: bytes, *labels: str | int) -> None:
        name = "/".join(str(label) for label in labels)
        self._key = hashlib.sha256(seed + b"\0" + name.encode()).digest()
        self._block = 0
        self._buffer = b""

    def below(self, limit: int) -> int:
        """Return a whole number from 0 to ``limit - 1``, all equally likely.

        Raises
        ------
        ValueError
            If ``limit`` is below 1.
        """
        if limit < 1:
            raise ValueError(f"limit must be at least 1, got {limit}")
        # Values above the last whole multiple of the limit would favour small results.
        usable = (1 << 64) - (1 << 64) % limit
        while True:
            value = self._word()
            if value < usable:
                return value % limit

    def shuffled(self, items: Sequence[_T]) -> list[_T]:
        """Return the items in random order (Fisher and Yates)."""
        result: MutableSequence[_T] = list(items)
        for last in range(len(result) - 1, 0, -1):
            other = self.below(last + 1)
            result[last], result[other] = result[other], result[last]
        return list(result)

    def choice(self, items: Sequence[_T]) -> _T:
        """Return one of the items."""
        return items[self.below(len(items))]

    def _word(self) -> int:
        if len(self._buffer) < 8:
            counter = self._block.to_bytes(8, "big")
            self._buffer += hashlib.sha256(self._key + counter).digest()
            self._block += 1
        word, self._buffer = self._buffer[:8], self._buffer[8:]
        return int.from_bytes(word, "big")
