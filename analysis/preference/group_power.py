"""How far two halves of a panel must differ to be found as groups: simulated figures.

The panels: four stages in a round-robin, every pair asked equally often; two halves whose worths of
one stage less another lie `difference` logits apart and whose other worths do not differ; within
each half worths scatter with an SD of 0.5 logits. Found means that the search of
:mod:`analysis.preference.group_test` claims groups. The figures of
``tests/bench/calibration_groups.py`` are the same again; those below come from 100 panels each,
with a Monte Carlo error of up to 0.05.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["POWER", "SplitPower", "split_power"]

#: Share of panels found, by (listeners, trials each) of four stages and by difference in logits.
POWER: dict[tuple[int, int], dict[float, float]] = {
    (12, 30): {4.0: 0.28, 6.0: 0.77},
    (12, 60): {4.0: 0.58, 6.0: 0.93},
    (24, 15): {4.0: 0.16},
    (24, 30): {3.0: 0.23, 4.0: 0.63, 5.0: 0.90},
    (24, 60): {3.0: 0.41, 4.0: 0.86},
    (48, 30): {3.0: 0.52, 4.0: 0.95},
    (48, 60): {2.0: 0.14, 3.0: 0.82},
}
#: Stages of those panels, less one: trials are compared by what each free worth gets.
_FREE = 3
#: The share that counts as a fair chance.
_FAIR = 0.8


@dataclass(frozen=True, slots=True)
class SplitPower:
    """What a panel finds.

    Attributes
    ----------
    n_listeners, n_trials_each : int
        Of the simulated panels, trials scaled to the number of stages.
    difference : float
        Logits between the halves about one pair: the smallest of the table that is found in 80 %
        of panels, or the largest of the table.
    found : float
        Share of simulated panels in which groups are found.
    """

    n_listeners: int
    n_trials_each: int
    difference: float
    found: float


def split_power(listeners: int, trials: float, stages: int) -> SplitPower | None:
    """Look up what a panel finds; both numbers are rounded down to the table, never up.

    Parameters
    ----------
    listeners : int
    trials : float
        Decided paired answers of the middle listener.
    stages : int
        2 or more; with more stages the same trials say less about each.

    Returns
    -------
    SplitPower or None
        None below the table.
    """
    free = stages - 1
    fitting = [key for key in POWER if key[0] <= listeners and key[1] * free <= trials * _FREE]
    if not fitting:
        return None
    key = max(fitting)
    row = sorted(POWER[key].items())
    difference, found = next((cell for cell in row if cell[1] >= _FAIR), row[-1])
    return SplitPower(key[0], key[1] * free // _FREE, difference, found)
