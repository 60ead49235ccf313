"""Work for the cells of ``test_cells.py``; helper processes import it by name."""

from __future__ import annotations

import os
import time

import numpy as np


def draw(cell: int, rng: np.random.Generator) -> tuple[int, float]:
    print("a function may print")
    return cell, float(rng.random())


def draw_slowly(cell: int, rng: np.random.Generator) -> tuple[int, float, int]:
    time.sleep(0.02)
    return cell, float(rng.random()), os.getpid()


def fail(cell: int, rng: np.random.Generator) -> int:
    if cell == 7:
        raise LookupError(f"no seven, {rng.random() < 2}")
    return cell


def leave(cell: tuple[int, int], rng: np.random.Generator) -> int:
    """End the process in one cell, unless it is the one that asks."""
    number, asking = cell
    time.sleep(0.02)
    if number > 30 and os.getpid() != asking:
        os._exit(3)
    return number


def unpicklable(cell: int, rng: np.random.Generator) -> object:
    return lambda: cell
