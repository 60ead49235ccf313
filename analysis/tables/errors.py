"""The one error that bad input raises in this package."""

from __future__ import annotations

__all__ = ["InputError"]


class InputError(ValueError):
    """Something the user handed over cannot be used; says what and how to mend it.

    Parameters
    ----------
    source : str or None
        File name, or None when the data did not come from a file.
    where : str or None
        Line, column or field, for example ``"line 12, column answer"``.
    problem : str
        What was found, without a full stop.
    remedy : str
        What to do about it, without a full stop.
    """

    def __init__(
        self,
        *,
        source: str | None = None,
        where: str | None = None,
        problem: str,
        remedy: str,
    ) -> None:
        self.source = source
        self.where = where
        self.problem = problem
        self.remedy = remedy
        super().__init__(str(self))

    def __str__(self) -> str:
        place = ", ".join(part for part in (self.source, self.where) if part)
        words = f"{self.problem}. {self.remedy}" + "." * (not self.remedy.endswith("?"))
        return f"{place}: {words}" if place else words

    def __reduce__(self) -> tuple[object, ...]:
        """Allow the error to cross process borders in parallel work."""
        return (_rebuild, (self.source, self.where, self.problem, self.remedy))


def _rebuild(source: str | None, where: str | None, problem: str, remedy: str) -> InputError:
    return InputError(source=source, where=where, problem=problem, remedy=remedy)
