"""Rules by which listeners are left out, as they stand in a plan.

Reading a rule needs none of the statistics, so that a study file is read at once.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from stimuli.files.errors import InputError

__all__ = ["ScreeningRule", "parse_screening"]


@dataclass(frozen=True, slots=True)
class ScreeningRule:
    """A rule for leaving listeners out, declared in the plan before the first trial.

    Attributes
    ----------
    text : str
    kind : str
        ``"controls"``, ``"repeats"`` or ``"bs1534"``.
    least : float
        Share that must be reached, for the first two.
    """

    text: str
    kind: str
    least: float = 0.0


_SCREENING = (
    ("controls", re.compile(r"obvious controls at least (\d+(?:\.\d+)?) ?%")),
    ("repeats", re.compile(r"repeat agreement at least (\d+(?:\.\d+)?) ?%")),
    ("bs1534", re.compile(r"BS\.1534-3")),
)


def parse_screening(text: str) -> ScreeningRule:
    """Parse a screening rule.

    Raises
    ------
    InputError
        The rule has no known form.
    """
    plain = " ".join(text.split())
    for kind, form in _SCREENING:
        found = form.fullmatch(plain)
        if found:
            least = float(found.group(1)) / 100 if found.groups() else 0.0
            if least <= 1:
                return ScreeningRule(plain, kind, least)
    raise InputError(
        where="screening",
        problem=f"the rule {plain!r} has no known form",
        remedy='Write "obvious controls at least 75 %", "repeat agreement at least 60 %" or '
        '"BS.1534-3"',
    )
