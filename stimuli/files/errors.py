"""The one error that bad input raises: where, what was wrong, what to do."""

from __future__ import annotations

__all__ = ["InputError"]


class InputError(ValueError):
    """Bad input from outside: a file, a table, a setting.

    Parameters
    ----------
    source : str or None
        File name as the user knows it, None for a value given in code.
    where : str or None
        Place inside the source: ``"line 12"``, ``"column level"``.
    problem : str
        What was found, with the offending value.
    remedy : str or None
        What to do about it, as an instruction.

    Examples
    --------
    >>> from stimuli import InputError, read_stage
    >>> try:
    ...     read_stage("nowhere.csv")
    ... except InputError as error:
    ...     print(error.source)
    nowhere.csv
    """

    def __init__(
        self,
        *,
        problem: str,
        source: str | None = None,
        where: str | None = None,
        remedy: str | None = None,
    ) -> None:
        self.source = source
        self.where = where
        self.problem = problem.rstrip(".")
        self.remedy = remedy.rstrip(".") if remedy else None
        super().__init__(str(self))

    def __str__(self) -> str:
        place = ", ".join(part for part in (self.source, self.where) if part)
        head = f"{place}: " if place else ""
        tail = ""
        if self.remedy:
            stop = "" if self.remedy.endswith("?") else "."
            tail = f" {self.remedy[:1].upper()}{self.remedy[1:]}{stop}"
        return f"{head}{self.problem}.{tail}"

    def __reduce__(self) -> tuple[object, ...]:
        # Keyword-only arguments do not survive the default pickling that worker processes use.
        return (_rebuild, (type(self), self.source, self.where, self.problem, self.remedy))


def _rebuild(
    kind: type[InputError],
    source: str | None,
    where: str | None,
    problem: str,
    remedy: str | None,
) -> InputError:
    return kind(source=source, where=where, problem=problem, remedy=remedy)
