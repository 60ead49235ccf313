"""What every block of the results is: frozen, with typed fields that stand in JSON by name.

A field that a block leaves out has the default None, or :data:`UNSET` where null means something
else; all others must be there. Fields stand in JSON in the order in which they are declared.
"""

from __future__ import annotations

from typing import Protocol, TypeVar

import msgspec
from msgspec import UNSET, UnsetType

__all__ = ["UNSET", "Counted", "Pair", "Real", "ResultBlock", "UnsetType", "known"]

T = TypeVar("T")

#: A figure: null where it is undefined. Whole figures are written without a point.
Real = int | float | None
#: Two stages, first-named one first.
Pair = tuple[str, str]


class ResultBlock(
    msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True
):
    """A part of the results. Frozen; compares by value."""


class Counted(Protocol):
    """A part that says how many trials and listeners stand behind it."""

    @property
    def n_trials(self) -> int | None:
        """Trials."""

    @property
    def n_listeners(self) -> int | None:
        """Listeners."""


def known(value: T | UnsetType) -> T | None:
    """Return the value of a field; None where its block leaves it out."""
    return None if isinstance(value, UnsetType) else value
