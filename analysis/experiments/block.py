"""Which frequency region makes the difference? Answered by experiment, not by regression.

With a few measured stages region weights fit perfectly whatever they are. So the regions are made
the experiment: renderings that follow the new stage in some regions and the old one in the rest
(:func:`stimuli.filters.experiments.region_swap`), in a design whose region effects are clear of all
two-way interactions. In the stage table a rendering carries ``factor_region_<name>`` columns with
two levels; the first level in the table's order is the old one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any

import numpy as np

from analysis.experiments.model import CovariateFit, alias, fieller, fit_covariates
from analysis.panels.multiplicity import holm
from analysis.preference.fit import Preference
from analysis.tables.counts import PairCounts
from analysis.tables.stages import REGION_FACTOR, StageTable

__all__ = ["REGION_FACTOR", "SwapStages", "region_block", "swap_design", "swap_stages"]

#: Largest share of a two-way interaction that may leak into a region's effect.
_LEAK = 0.15


def swap_design(regions: Sequence[str]) -> list[dict[str, bool]]:
    """Return which regions to swap in which rendering.

    For five regions or more half of all combinations, those with an even number of swaps (the
    defining word holds every region: resolution V or better, Box & Hunter 1961 Technometrics
    3:311),
    together with the one that swaps all; for fewer regions every combination.

    Parameters
    ----------
    regions : sequence of str
        Two to seven names.

    Returns
    -------
    list of dict of str to bool
        The rendering without a swap first, the one that swaps all last.

    Raises
    ------
    ValueError
        Fewer than two regions, more than seven, or a name twice.
    """
    if not 2 <= len(regions) <= 7 or len(set(regions)) < len(regions):
        raise ValueError(f"need two to seven different regions, got {list(regions)}")
    runs = list(product((False, True), repeat=len(regions)))
    if len(regions) >= 5:
        runs = [run for run in runs if sum(run) % 2 == 0 or all(run)]
    runs.sort(key=lambda run: (sum(run), [not swapped for swapped in run]))
    return [dict(zip(regions, run, strict=True)) for run in runs]


@dataclass(frozen=True, slots=True, eq=False)
class SwapStages:
    """Renderings of a region-swap experiment.

    Attributes
    ----------
    regions, stages : tuple of str
    swapped : numpy.ndarray of float, shape (n_stages, n_regions)
        1 where a rendering follows the new stage.
    change_db : numpy.ndarray, shape (n_regions,)
        How much the region's mean level changes, NaN where the table does not hold it.
    """

    regions: tuple[str, ...]
    stages: tuple[str, ...]
    swapped: np.ndarray
    change_db: np.ndarray


def swap_stages(stages: StageTable, compared: Sequence[str]) -> SwapStages | None:
    """Read a swap experiment from a stage table; None where it holds none."""
    names = [name for name in stages.factors if name.startswith(REGION_FACTOR)]
    if len(names) < 2:
        return None
    frame = stages.frame[stages.frame["stage"].isin(compared)]
    text = frame[[f"factor_{name}" for name in names]]
    frame = frame[(text != "").all(axis=1)].sort_values("stage")
    if len(frame) < 4:
        return None
    regions, columns, change = [], [], []
    for name in names:
        levels = list(dict.fromkeys(stages.frame.loc[frame.index.sort_values(), f"factor_{name}"]))
        if len(levels) != 2:
            continue
        new = (frame[f"factor_{name}"] == levels[1]).to_numpy()
        region = name[len(REGION_FACTOR) :]
        regions.append(region)
        columns.append(new.astype(float))
        metric = frame.get(f"metric_{REGION_FACTOR}{region}_db")
        known = metric is not None and np.isfinite(metric).all()
        change.append(
            float(metric[new].mean() - metric[~new].mean())
            if known and metric is not None
            else float("nan")
        )
    if len(regions) < 2:
        return None
    return SwapStages(
        tuple(regions), tuple(frame["stage"]), np.column_stack(columns), np.array(change)
    )


def region_block(preference: Preference | None, stages: StageTable | None) -> dict[str, Any] | None:
    """Return the ``regions`` block; None without a swap experiment in the stage table.

    Returns
    -------
    dict or None
        ``regions``: per region ``estimate`` (logits gained by swapping it, averaged over the other
        regions) with interval, ``p_value``, ``p_holm``, ``per_db``, ``recovered`` (share of the
        whole gain) with Fieller's interval, ``words``; ``whole``, ``interactions``,
        ``clear_of_interactions``, ``notes`` and the panel.
    """
    if preference is None or stages is None:
        return None
    swaps = swap_stages(stages, preference.counts.stages)
    if swaps is None:
        return None
    part = preference.counts.only([preference.counts.stages.index(s) for s in swaps.stages])
    block: dict[str, Any] = {
        "method": "Bradley-Terry with regions as covariates, errors between listeners",
        "n_stages": len(swaps.stages),
        "n_trials": part.n_trials,
        "n_listeners": part.n_listeners,
    }
    try:
        fit = fit_covariates(part, swaps.swapped, swaps.regions)
    except ValueError as error:
        return block | {
            "regions": [],
            "whole": None,
            "interactions": [],
            "clear_of_interactions": None,
            "notes": [f"The weights cannot be estimated: {error}."],
        }
    pairs = list(combinations(range(len(swaps.regions)), 2))
    crossed = np.column_stack([_crossed(swaps.swapped, i, j) for i, j in pairs])
    clear = bool(np.abs(alias(swaps.swapped - 0.5, crossed)).max() < _LEAK)
    return block | {
        "regions": _rows(swaps, fit),
        "whole": fit.contrast(np.ones(len(swaps.regions))),
        "interactions": _interactions(part, swaps, crossed, pairs),
        "clear_of_interactions": clear,
        "notes": _notes(clear, fit),
    }


def _crossed(swapped: np.ndarray, i: int, j: int) -> np.ndarray:
    """Return the product of two regions coded -1/2 and 1/2, scaled to a difference of 1."""
    return 2 * (swapped[:, i] - 0.5) * (swapped[:, j] - 0.5)


def _rows(swaps: SwapStages, fit: CovariateFit) -> list[dict[str, Any]]:
    eye, ones = np.eye(len(swaps.regions)), np.ones(len(swaps.regions))
    whole = fit.contrast(ones)
    rows = []
    for k, region in enumerate(swaps.regions):
        found = fit.contrast(eye[k])
        both = np.array([eye[k], ones])
        low, high = fieller(
            found["estimate"],
            whole["estimate"],
            both @ fit.covariance @ both.T,
            fit.n_listeners - 1,
        )
        shown = np.isfinite(low) and whole["low"] > 0
        size = abs(swaps.change_db[k])
        per = size if np.isfinite(size) and size > 0 else float("nan")
        rows.append(
            {
                "region": region,
                **found,
                "change_db": swaps.change_db[k],
                "per_db": found["estimate"] / per,
                "per_db_low": found["low"] / per,
                "per_db_high": found["high"] / per,
                "recovered": found["estimate"] / whole["estimate"] if shown else None,
                "recovered_low": low if shown else None,
                "recovered_high": high if shown else None,
            }
        )
    adjusted = holm(np.array([row["p_value"] for row in rows]))
    return [
        row | {"p_holm": float(p), "words": _words(row)}
        for row, p in zip(rows, adjusted, strict=True)
    ]


def _words(row: dict[str, Any]) -> str:
    name = row["region"].replace("_", " ")
    if row["recovered"] is None:
        return (
            f"Changing the {name} alone moves the worth by {row['estimate']:+.2f} logits "
            f"({row['low']:+.2f} to {row['high']:+.2f}); the whole change shows no gain of which "
            "a share could be told."
        )
    share, low, high = (100 * row[key] for key in ("recovered", "recovered_low", "recovered_high"))
    return (
        f"Changing the {name} alone recovers {share:.0f} % ({low:.0f} to {high:.0f}) of the gain "
        "of the whole change."
    )


def _interactions(
    counts: PairCounts, swaps: SwapStages, crossed: np.ndarray, pairs: list[tuple[int, int]]
) -> list[dict[str, Any]]:
    """Return two-way interactions where the renderings allow all of them; else none."""
    names = tuple(f"{swaps.regions[i]} × {swaps.regions[j]}" for i, j in pairs)
    x = np.column_stack([swaps.swapped, crossed])
    if np.linalg.matrix_rank(x - x.mean(axis=0)) < x.shape[1]:
        return []
    try:
        fit = fit_covariates(counts, x, (*swaps.regions, *names))
    except ValueError:  # the pairs that were compared do not reach all of them
        return []
    offset = len(swaps.regions)
    eye = np.eye(x.shape[1])
    rows = [
        {"regions": [swaps.regions[i], swaps.regions[j]], **fit.contrast(eye[offset + k])}
        for k, (i, j) in enumerate(pairs)
    ]
    adjusted = holm(np.array([row["p_value"] for row in rows]))
    return [row | {"p_holm": float(p)} for row, p in zip(rows, adjusted, strict=True)]


def _notes(clear: bool, fit: CovariateFit) -> list[str]:
    notes = ["Weights hold for the change between these two stages, as rendered."]
    if not clear:
        notes.append(
            "In these renderings region effects are mixed with two-way interactions, so that a "
            "region without any effect can seem to have one. A complete or half design is clear "
            "of them."
        )
    if fit.penalty > 0:
        notes.append("Answers were one-sided; half an answer of every kind was added to each pair.")
    return notes
