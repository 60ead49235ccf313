"""How far a figure of a stage moves when the stage is measured once more."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stimuli.figures.metrics import stage_metrics
from stimuli.response.measured import Response, power_average
from stimuli.response.target import Target

__all__ = ["stage_repeat_sds"]


def stage_repeat_sds(
    responses: Sequence[Response],
    target: Target,
    *,
    repeats: Sequence[Sequence[Response]] = (),
) -> dict[str, float | None]:
    """Repeat SDs of :func:`stage_metrics`, for the stage table's ``_repeat_sd`` columns.

    Parameters
    ----------
    responses : sequence of Response
        The stage's positions.
    target : Target
        What it is compared with.
    repeats : sequence of sequences of Response, optional
        The whole measurement done again: the SD over all of them is the repeat SD. Without
        repeats and with at least three positions, the jackknife standard error over positions
        (Efron & Stein 1981).

    Returns
    -------
    dict of str to float or None
        None where nothing was repeated, or a figure exists only in some of the repeats.

    Raises
    ------
    InputError
        See :func:`stimuli.response.measured.power_average`.
    """

    def of(positions: Sequence[Response]) -> dict[str, float]:
        return stage_metrics(power_average(positions), target)

    main = of(responses)
    n = len(responses)
    if repeats:
        again = [main, *map(of, repeats)]
        factor = float(np.sqrt(len(again) / (len(again) - 1)))
    elif n >= 3:
        kept = [[r for j, r in enumerate(responses) if j != i] for i in range(n)]
        again, factor = list(map(of, kept)), float(np.sqrt(n - 1))
    else:
        return dict.fromkeys(main)
    return {
        name: float(np.std([one[name] for one in again])) * factor
        if all(name in one for one in again)
        else None
        for name in main
    }
