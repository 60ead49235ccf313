"""The tables of the results as data frames, by name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any, get_args, get_origin

import msgspec
import pandas as pd

from analysis.results.base import ResultBlock
from stimuli.files.errors import InputError

if TYPE_CHECKING:
    from analysis.results.whole import Results

__all__ = ["FRAMES", "frame_of"]

#: Every table by name (the fields that lead to it), and what it holds. A table inside the rows of
#: another one takes those of all rows together, each after the field that names the outer row.
FRAMES: dict[str, str] = {
    "discrimination": "forced choices by pair: panel, listeners, programmes",
    "preference.stages": "worths",
    "preference.pairs": "choices by pair",
    "preference.chosen": "how often each stage was chosen, by the panel and each listener",
    "preference.listeners": "choices by listener and pair",
    "preference.thurstone.stages": "the same by Thurstone's Case V",
    "preference.strength.pairs": "how much better the first of each pair was called",
    "preference.strength.ordinal.stages": "those strengths as ordered steps",
    "preference.programmes.by_programme": "worths by programme",
    "preference.programmes.leave_one_out": "worths without one programme",
    "preference.mixed.stages": "how far listeners differ about each stage",
    "preference.mixed.listeners": "worths of each listener",
    "preference.classes.fits": "screening for groups of listeners",
    "preference.classes.steps": "comparisons in the search for groups",
    "preference.classes.groups": "groups that passed",
    "preference.classes.membership": "which group a listener is in",
    "choice": "models of right answers",
    "reliability.listeners": "how steady each listener was",
    "reliability.listeners.round_robins": "complete round-robins",
    "reliability.agreement": "Kendall's u by programme",
    "ratings.stages": "ratings by stage and programme",
    "ratings.stages_screened": "the same without those whom post-screening leaves out",
    "ratings.screening.listeners": "listeners against the rules of post-screening",
    "ratings.pairs": "ratings of pairs compared",
    "ratings.difference_grades": "ratings less those of the hidden reference",
    "ratings.mixed.stages": "mixed model of ratings",
    "ratings.ordinal.stages": "words of the scale as ordered steps",
    "grading": "references that were graded against, and what compares their stages",
    "grading.stages": "difference grades by reference, stage and programme",
    "grading.listeners": "who told the hidden reference",
    "grading.pairs": "difference grades of pairs compared",
    "grading.mixed.stages": "mixed model of difference grades",
    "grading.ordinal.stages": "words of the scale as ordered steps",
    "power": "power of one question as run, with its curve",
    "power_claims.claims": "power of the claims as a set",
    "power_claims.conflicts": "claims that cannot be true together",
    "growing_panel": "statements that hold however often one looks",
    "link": "measured figures against worths",
    "link.points": "stages by figure and worth",
    "link.leave_one_out.predicted": "each stage worked out from the others",
    "link_programmes": "the same programme by programme, one row a figure",
    "link_programmes.programmes": "one row a figure and programme",
    "predictions": "measured stages that nobody compared",
    "upgrade.effects": "what changing one factor adds",
    "upgrade.interactions": "what factors do together",
    "upgrade.shapley": "each factor's share in the whole gain",
    "upgrade.first_step": "first steps, best first",
    "upgrade.second_step": "second steps after each first",
    "upgrade.order": "the path of single best steps",
    "upgrade.orders": "whole orders",
    "upgrade.budget": "what to buy for a budget",
    "upgrade.classes": "groups of listeners with an order of their own",
    "regions.regions": "what changing one region gains",
    "regions.interactions": "what two regions do together",
    "dose.steps": "right answers and gains by part of a step",
    "claims": "claims and verdicts",
    "claims.sensitivity.rows": "claims judged in other ways",
    "answer.family": "claims that the design suggests, where none was given",
    "answer.beside": "sentences beside the first",
    "answer.rests_on": "comparisons that the answer rests on",
    "answer.unheard": "pairs preferred and not shown to be told apart",
    "answer.picture": "steps in their order, each against what was there before",
    "long_blocks": "parts that take long, or were left out",
}

#: What names an outer row, where it is not the first field.
_NAMED_BY = {"grading": "reference"}


def frame_of(results: Results, name: str) -> pd.DataFrame:
    """Return a table of the results; see :meth:`analysis.results.whole.Results.frame`.

    Parameters
    ----------
    results : Results
    name : str

    Raises
    ------
    InputError
        There is no table of that name.
    """
    if name not in FRAMES:
        raise InputError(
            where="frame",
            problem=f"{name!r} is not a table of the results",
            remedy=f"Choose one of: {', '.join(FRAMES)}",
        )
    rows = list(_rows(results, name.split("."), name.split(".")[0], {}))
    frame = pd.DataFrame(rows)
    for column in frame.columns:
        # None alone, where a figure is undefined in every row, would make a column of objects.
        if frame[column].isna().all():
            frame[column] = frame[column].astype(float)
    return frame


def _rows(
    block: Any, path: Sequence[str], top: str, named: Mapping[str, Any]
) -> Iterator[dict[str, Any]]:
    """Yield the rows of a table, each with what names the rows around it."""
    found = getattr(block, path[0])
    if not isinstance(found, tuple):
        if isinstance(found, ResultBlock):
            yield from _rows(found, path[1:], top, named)
        return
    for row in found:
        if len(path) == 1:
            own = dict(_cells(row))
            yield {key: value for key, value in named.items() if key not in own} | own
        else:
            key = _NAMED_BY.get(top) if not named else None
            key = key or row.__struct_fields__[0]
            yield from _rows(row, path[1:], top, {**named, key: getattr(row, key)})


def _cells(block: ResultBlock, prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Yield the fields of a row; those of a block inside it with its name before theirs."""
    for name, nested in _fields(type(block)):
        value = getattr(block, name)
        if isinstance(value, ResultBlock):
            yield from _cells(value, f"{prefix}{name}.")
        elif isinstance(value, dict):
            yield from ((f"{prefix}{name}.{key}", item) for key, item in value.items())
        elif not nested and value is not msgspec.UNSET:
            yield f"{prefix}{name}", value


@cache
def _fields(kind: type[ResultBlock]) -> tuple[tuple[str, bool], ...]:
    """Return the fields of a block, and whether each holds blocks or figures by name."""
    return tuple((field.name, _holds_blocks(field.type)) for field in msgspec.structs.fields(kind))


def _holds_blocks(hint: Any) -> bool:
    if get_origin(hint) is dict or (isinstance(hint, type) and issubclass(hint, ResultBlock)):
        return True
    return any(_holds_blocks(part) for part in get_args(hint))
