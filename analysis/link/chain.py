"""Stages that form one chain of additions: what such a design cannot show about a figure."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from analysis.tables.stages import StageTable

__all__ = ["chain_of_additions"]

_FEWEST = 3


def chain_of_additions(stages: StageTable, names: Sequence[str]) -> tuple[str, ...] | None:
    """Return the stages in the order in which each keeps all changes of the one before.

    In such a chain everything that grows from stage to stage (cost, hours, the number of parts)
    lines up with every figure that does, so a figure that goes along with the choices is
    confounded with all of them.

    Parameters
    ----------
    stages : StageTable
        With ``factor_<name>`` columns.
    names : sequence of str
        Stages to look at; without three, or without a factor that differs, there is no chain.

    Returns
    -------
    tuple of str or None
        None where no order of the stages is such a chain.
    """
    if len(names) < _FEWEST or not stages.step_factors:
        return None
    frame = stages.frame.set_index("stage")
    levels = {
        name: tuple(str(frame.loc[name, f"factor_{f}"]) for f in stages.step_factors)
        for name in names
    }
    for base in names:
        changed = {
            name: {(k, level) for k, level in enumerate(own) if level != levels[base][k]}
            for name, own in levels.items()
        }
        order = sorted(names, key=lambda name: len(changed[name]))
        if all(changed[a] < changed[b] for a, b in pairwise(order)):
            return tuple(order)
    return None
