"""What was analysed: counts, methods, playback, software; and plain values for JSON."""

from __future__ import annotations

import math
import platform
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np

from analysis.tables.stages import StageTable
from analysis.tables.trials import TrialTable

__all__ = ["about", "json_ready", "made_stages"]

_SOFTWARE = ("earwitness", "numpy", "scipy", "pandas", "statsmodels")


def about(trials: TrialTable, alpha: float, seed: int) -> dict[str, Any]:
    """Return what the table holds: counts, methods, programmes, playback, and the software.

    Parameters
    ----------
    trials : TrialTable
    alpha : float
        Level of the tests.
    seed : int
        Of resampling.

    Returns
    -------
    dict
        ``about`` of the results.
    """
    methods = trials.frame["method"].value_counts()
    return {
        "n_trials": trials.n_trials,
        "n_listeners": trials.n_listeners,
        "n_controls": int((trials.frame["control"] != "").sum()),
        "methods": {str(name): int(n) for name, n in methods.items() if n},
        "programmes": sorted(set(trials.frame["programme"].unique()) - {""}),
        "groups": trials.groups,
        "outputs": _outputs(trials),
        "simulated": trials.simulated,
        "alpha": alpha,
        "seed": seed,
        "software": {"python": platform.python_version()} | {n: _version(n) for n in _SOFTWARE},
    } | _playback(trials)


def made_stages(trials: TrialTable, stages: StageTable | None) -> dict[str, Any]:
    """Tell which of the stages in the trials are made: experiments, nothing to buy."""
    return {} if stages is None else {"made_stages": stages.made}


def _playback(trials: TrialTable) -> dict[str, Any]:
    """Count stuttered trials, where a player counted at all; they stay in every result."""
    if "underruns" not in trials.frame.columns:
        return {}
    counted = trials.frame["underruns"].dropna()
    return {
        "playback": {
            "n_counted": len(counted),
            "n_stuttered": int((counted > 0).sum()),
            "n_underruns": int(counted.sum()),
        }
    }


def _outputs(trials: TrialTable) -> dict[str, int]:
    """Count listeners by what they listened with, where the table says so."""
    own = trials.frame.drop_duplicates(["listener", "output"])["output"].astype(str)
    return {str(name): int(n) for name, n in own[own != ""].value_counts().sort_index().items()}


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
