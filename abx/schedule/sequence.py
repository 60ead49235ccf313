"""Order trials so that no pair follows itself and repeats keep their distance."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from abx.schedule.stream import Stream
from abx.study.trial import Trial

__all__ = ["REPEAT_DISTANCE", "Item", "arrange_items"]

REPEAT_DISTANCE = 3
"""A repeat comes at least this many trials after what it repeats."""

_ATTEMPTS = 60


@dataclass(frozen=True, slots=True)
class Item:
    """A trial waiting for its place.

    Attributes
    ----------
    tag : tuple of (int, int)
        Names the item within its block.
    trial : Trial
        The trial, not yet numbered.
    repeats : tuple of (int, int) or None
        Tag of the item this one repeats.
    """

    tag: tuple[int, int]
    trial: Trial
    repeats: tuple[int, int] | None = None


def arrange_items(items: Sequence[Item], *, previous: frozenset[str], stream: Stream) -> list[Item]:
    """Return the items in random order under the rules.

    Parameters
    ----------
    items : sequence of Item
        All trials of a block.
    previous : frozenset of str
        What was heard right before the block.
    stream : Stream
        Source of randomness.

    Returns
    -------
    list of Item
        The first attempt that breaks no rule; where none of many does (a single pair has to
        follow itself), the one that breaks fewest.
    """
    best: list[Item] = []
    fewest = -1
    unavoidable = _unavoidable(items)
    for _ in range(_ATTEMPTS):
        order, broken = _attempt(items, previous, stream)
        if fewest < 0 or broken < fewest:
            best, fewest = order, broken
        if broken <= unavoidable:
            break
    return best


def _unavoidable(items: Sequence[Item]) -> int:
    """Count the neighbours of one pair that no order can keep apart."""
    counts = Counter(item.trial.pair_key for item in items)
    most = max(counts.values(), default=0)
    return max(0, most - (len(items) - most) - 1)


def _attempt(
    items: Sequence[Item], previous: frozenset[str], stream: Stream
) -> tuple[list[Item], int]:
    waiting = stream.shuffled(items)
    placed_at: dict[tuple[int, int], int] = {}
    order: list[Item] = []
    broken = 0
    last = previous
    while waiting:
        ready = [item for item in waiting if _distance_kept(item, placed_at, len(order))]
        fits = [item for item in ready if item.trial.pair_key != last]
        if not fits:
            broken += 1
            fits = ready or [
                item for item in waiting if item.repeats is None or item.repeats in placed_at
            ]
        chosen = _most_pressing(fits, waiting)
        waiting.remove(chosen)
        placed_at[chosen.tag] = len(order)
        order.append(chosen)
        last = chosen.trial.pair_key
    return order, broken


def _distance_kept(item: Item, placed_at: dict[tuple[int, int], int], now: int) -> bool:
    if item.repeats is None:
        return True
    return item.repeats in placed_at and now - placed_at[item.repeats] >= REPEAT_DISTANCE


def _most_pressing(fits: list[Item], waiting: list[Item]) -> Item:
    """Take the first in random order, unless one pair fills half of what is left."""
    counts = Counter(item.trial.pair_key for item in waiting)
    for item in fits:
        if 2 * counts[item.trial.pair_key] > len(waiting):
            return item
    return fits[0]
