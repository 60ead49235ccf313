"""The whole analysis of a trial table as one JSON-ready dictionary."""

from __future__ import annotations

import math
import platform
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np

from analysis.claim_hearing import obvious_controls
from analysis.claims import judge_claims
from analysis.discrimination import discrimination_rows, forced_choice_cells
from analysis.errors import InputError
from analysis.preference import fit_preference
from analysis.preference_block import preference_block
from analysis.preference_depth import depth_blocks
from analysis.ratings import ratings_block
from analysis.reliability import reliability_block
from analysis.stages import StageTable
from analysis.trials import TrialTable

__all__ = ["analyse", "json_ready"]

_SOFTWARE = ("earwitness", "numpy", "scipy", "pandas", "statsmodels")


def analyse(
    trials: TrialTable,
    *,
    stages: StageTable | None = None,
    claims: Sequence[str] = (),
    alpha: float = 0.05,
    reference: str | None = None,
    seed: int = 1,
    mixed: bool = True,
) -> dict[str, Any]:
    """Analyse a trial table.

    Parameters
    ----------
    trials : TrialTable
        From :func:`analysis.trials.read_trials`.
    stages : StageTable, optional
        Cost, factors and measured figures by stage.
    claims : sequence of str, optional
        Sentences of the grammar in :mod:`analysis.claims`.
    alpha : float, optional
        Error rate of the family of claims, in (0, 1).
    reference : str, optional
        Stage with log-worth 0; the last in sorted order when not given.
    seed : int, optional
        Seed of resampling, permutation and random starts.
    mixed : bool, optional
        Fit the models of how listeners differ (mixed preference model, latent classes), which
        take longest on large panels.

    Returns
    -------
    dict
        ``about``, ``discrimination``, ``preference``, ``reliability``, ``ratings``, ``link``,
        ``upgrade``, ``claims``: plain numbers, text, lists and dictionaries at full precision,
        None where a figure is undefined.

    Raises
    ------
    InputError
        A claim, the reference or alpha cannot be used.
    """
    if not 0 < alpha < 1:
        raise InputError(
            where="alpha", problem=f"{alpha!r} is not between 0 and 1", remedy="Write 0.05 or so"
        )
    cells = forced_choice_cells(trials)
    preference = fit_preference(trials, reference=reference, seed=seed)
    result = {
        "about": _about(trials, alpha, seed),
        "discrimination": discrimination_rows(trials, cells=cells),
        "preference": preference_block(preference)
        | depth_blocks(trials, preference, mixed=mixed, seed=seed),
        "reliability": reliability_block(trials),
        "ratings": ratings_block(trials),
        "link": [],
        "upgrade": None,
        "claims": judge_claims(
            claims,
            cells=cells,
            preference=preference,
            controls=obvious_controls(trials.frame),
            alpha=alpha,
            simulated=trials.simulated,
        ),
    }
    ready: dict[str, Any] = json_ready(result)
    return ready


def _about(trials: TrialTable, alpha: float, seed: int) -> dict[str, Any]:
    methods = trials.frame["method"].value_counts()
    return {
        "n_trials": trials.n_trials,
        "n_listeners": trials.n_listeners,
        "n_controls": int((trials.frame["control"] != "").sum()),
        "methods": {str(name): int(n) for name, n in methods.items() if n},
        "programmes": sorted(set(trials.frame["programme"].unique()) - {""}),
        "simulated": trials.simulated,
        "alpha": alpha,
        "seed": seed,
        "software": {"python": platform.python_version()} | {n: _version(n) for n in _SOFTWARE},
    }


def _version(name: str) -> str | None:
    try:
        return version(name)
    except PackageNotFoundError:
        return None


def json_ready(value: Any) -> Any:
    """Return plain Python values; NaN and infinity become None."""
    if isinstance(value, dict):
        return {str(key): json_ready(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [json_ready(item) for item in value]
    if isinstance(value, np.ndarray):
        return json_ready(value.tolist())
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    return value
