"""The tables of a study, the words of its results, and the register of what is recomputed."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

#: By pattern of the pointer: the function that works the value out, and the tolerance.
RECIPES: dict[str, tuple[Callable[..., Any], float]] = {}

#: Sums and closed forms; fits whose last step depends on where the search stops.
EXACT, FITTED = 1e-6, 1e-4


@dataclass(frozen=True)
class Drawn:
    """A share or a percentile that hangs on random draws, with its own and their error."""

    value: float
    error: float


def at(*patterns: str, tolerance: float = EXACT) -> Callable[..., Any]:
    """Register a function for pointers; it takes the study and what stands for the stars."""

    def keep(function: Callable[..., Any]) -> Callable[..., Any]:
        for pattern in patterns:
            assert pattern not in RECIPES, pattern
            RECIPES[pattern] = (function, tolerance)
        return function

    return keep


def keys_of(pointer: str) -> list[str]:
    """Return the parts of a JSON pointer."""
    return [key.replace("~1", "/").replace("~0", "~") for key in pointer.split("/")[1:]]


def _words_only(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _words_only(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_words_only(item) for item in value]
    return value if isinstance(value, str | bool) else None


class Recomputed:
    """One study; everything is worked out when it is asked for, and once.

    Parameters
    ----------
    folder : pathlib.Path
        The study, with its rehearsal.
    draws : int, optional
        Resampled panels of our own.
    """

    def __init__(self, folder: Path, draws: int = 4000) -> None:
        self.folder, self.n_draws = folder, draws
        results = folder / "rehearsal" / "results"
        self.trials = pd.read_csv(results / "trials.csv", dtype=str, keep_default_na=False)
        self.stages = pd.read_csv(results / "stages.csv").set_index("stage")
        self.stages["made"] = ["" if pd.isna(kind) else str(kind) for kind in self.stages["made"]]
        self.programmes = pd.read_csv(results / "programmes.csv")
        self.plan = tomllib.loads((folder / "study.toml").read_text("utf-8"))
        found = json.loads((results / "results.json").read_text("utf-8"))
        # How many panels and studies they drew says how far off their shares may be.
        self.their_draws = found["upgrade"]["n_draws"]
        self.their_studies = found["power_claims"]["n_studies"]
        self.words, self._found = _words_only(found), found
        self.kept: dict[Any, Any] = {}

    def pattern(self, pointer: str) -> tuple[str, list[str]]:
        """Return a pointer with stars for places and stages, and what they stand for."""
        parts, stood = [], []
        for key in keys_of(pointer):
            if key.isdigit() or key in self.stages.index:
                parts.append("*" if key.isdigit() else "<stage>")
                stood.append(key)
            else:
                parts.append(key)
        return "/" + "/".join(parts), stood

    def value(self, pointer: str) -> tuple[Any, float]:
        """Return the independent value at a pointer and its tolerance; KeyError if unknown."""
        pattern, stood = self.pattern(pointer)
        function, tolerance = RECIPES[pattern]
        places = [int(s) if s.isdigit() else s for s in stood]
        return self.once(("at", pointer), lambda: function(self, *places)), tolerance

    def printed(self, *keys: Any) -> float:
        """Return a number of theirs, for the error that they state of that number itself."""
        found = self._found
        for key in keys:
            found = found[key]
        return float(found)

    def once(self, key: Any, work: Callable[[], Any]) -> Any:
        """Return what `work` gives, worked out at the first call."""
        if key not in self.kept:
            self.kept[key] = work()
        return self.kept[key]

    # answers -------------------------------------------------------------------------------

    @cached_property
    def alpha(self) -> float:
        """Error rate of the plan."""
        return float(self.plan["plan"]["alpha"])

    @cached_property
    def paired(self) -> pd.DataFrame:
        """Paired answers, controls left out."""
        table = self.trials
        return table[(table["method"] == "paired") & (table["control"] == "")]

    @cached_property
    def forced(self) -> pd.DataFrame:
        """Forced choices, controls left out: ``pair``, ``side`` (the right answer), ``right``."""
        table = self.trials
        kept = table[table["method"].isin(["abx", "duo-trio", "triangle"])].copy()
        plays = kept[["stage_a", "stage_b", "stage_c", "stage_x"]].to_numpy()
        kept["pair"] = ["|".join(sorted(set(row) - {""})) for row in plays]
        a, b, c, x = plays.T
        side = np.where(x == a, "a", "b")
        odd = np.where(b == c, "a", np.where(a == c, "b", "c"))
        kept["side"] = np.where(kept["method"] == "triangle", odd, side)
        kept["right"] = (kept["answer"] == kept["side"]).astype(int)
        return kept

    @cached_property
    def asked(self) -> pd.DataFrame:
        """The forced choices that are no controls."""
        return self.forced[self.forced["control"] == ""]

    def holm(self, p: list[float]) -> list[float]:
        """Return p-values by Holm (1979); those that are not known do not count."""
        known = [k for k in range(len(p)) if p[k] is not None and np.isfinite(p[k])]
        adjusted, largest = list(p), 0.0
        for place, k in enumerate(sorted(known, key=lambda k: p[k])):
            largest = max(largest, (len(known) - place) * p[k])
            adjusted[k] = min(1.0, largest)
        return adjusted
