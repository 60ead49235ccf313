"""Do the data have what a claim names? Asked before anything is worked out.

A claim of a stage, a metric, a group or a listener that is not there can only stay open, and mostly
it is a slip of the pen: an error names it and lists what is there. A study file is checked when it
is read, with its lines; these checks are for claims that come with the data.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd

from analysis.claims.finding import Claim
from analysis.claims.grammar import made_step, parse_claim
from analysis.link.programmes import ProgrammeTable
from analysis.tables.names import ROLE_STAGES, did_you_mean, folded, how_alike
from analysis.tables.stages import StageTable
from analysis.tables.trial_columns import STAGE_COLUMNS
from analysis.tables.trials import TrialTable
from stimuli.files.errors import InputError

__all__ = ["check_claims", "check_options", "table_notes"]

_MOST_SHOWN = 12


def check_claims(
    claims: Sequence[str], trials: TrialTable, stages: StageTable | None, *, sealed: bool
) -> None:
    """Refuse claims of what the data do not have.

    Parameters
    ----------
    claims : sequence of str
        Sentences of the grammar.
    trials : TrialTable
    stages : StageTable or None
        A stage that stands here and in no trial is known: a claim of it stays open.
    sealed : bool
        The claims are those of a sealed plan and were checked with the study file: a group of
        which nobody came, or a listener who has not come yet, leaves a claim open. Only repeated
        and ill-formed claims are refused.

    Raises
    ------
    InputError
        Names the claim by its number, what is missing, and what is there.
    """
    met: dict[str, int] = {}
    for number, text in enumerate(claims, start=1):
        where = f"claim {number}"
        claim = parse_claim(text, where=where)
        if claim.text in met:
            raise InputError(
                where=where,
                problem=f"{claim.text!r} is claim {met[claim.text]} again",
                remedy="State each claim once: every claim makes the test of the others stricter",
            )
        met[claim.text] = number
        if not sealed:
            _check_named(claim, trials, stages, where)


def check_options(
    primary_metric: str | None, budgets: Sequence[float] | None, stages: StageTable | None
) -> None:
    """Refuse a metric or a budget that the tables give no ground for.

    Raises
    ------
    InputError
        A metric or budgets without a stage table, a metric that the table does not have, a budget
        that is negative or no number.
    """
    if primary_metric is not None:
        _check_metric(primary_metric, stages, "metric")
    for budget in budgets or ():
        if not (np.isfinite(budget) and budget >= 0):
            raise InputError(
                where="budget", problem=f"{budget:g} is no amount", remedy="Write 0 or more"
            )
    if budgets and stages is None:
        raise InputError(
            where="budget",
            problem="without the stages' costs no budget can be worked out",
            remedy="Give the stage table with --stages",
        )


def _check_named(claim: Claim, trials: TrialTable, stages: StageTable | None, where: str) -> None:
    there = sorted(_compared(trials) | (set() if stages is None else set(stages.frame["stage"])))
    for stage in claim.stages:
        if stage not in there and stage not in _named(trials.frame):
            raise _missing(where, "stage", stage, there)
    if claim.kind == "orders":
        _check_metric(claim.names[0], stages, where)
    if claim.kind == "one hears":
        people = sorted(trials.frame["listener"].astype(str).unique())
        if claim.names[0] not in people:
            raise _missing(where, "listener", claim.names[0], people)
    if claim.who is not None and claim.who not in trials.groups:
        raise _missing(where, "group", claim.who, list(trials.groups))
    if claim.kind == "step" and stages is None:
        raise InputError(
            where=where,
            problem="a claim about a step needs the stages' factors or costs",
            remedy="Give the stage table with --stages",
        )
    if claim.kind == "step" and stages is not None:
        for stage in claim.stages:
            if stage in stages.made:
                problem, remedy = made_step(stage)
                remedy = remedy[0].upper() + remedy[1:]
                raise InputError(where=where, problem=problem, remedy=remedy)


def _check_metric(name: str, stages: StageTable | None, where: str) -> None:
    if stages is None:
        raise InputError(
            where=where,
            problem=f"the metric {name!r} stands in no table",
            remedy="Give the stage table with --stages",
        )
    if name not in stages.metrics:
        raise _missing(where, "metric", name, list(stages.metrics))


def _missing(where: str, what: str, name: str, there: Sequence[str]) -> InputError:
    if not there:
        return InputError(
            where=where,
            problem=f"the data have no {what} {name!r}, nor any other",
            remedy=f"Leave it out of the claim, or add the {what} to the tables",
        )
    shown = ", ".join(there[:_MOST_SHOWN])
    more = f" and {len(there) - _MOST_SHOWN} more" if len(there) > _MOST_SHOWN else ""
    return InputError(
        where=where,
        problem=f"the data have no {what} {name!r}",
        remedy=f"Name one of: {shown}{more}{did_you_mean(name, there)}",
    )


# tables held against each other --------------------------------------------------------


def table_notes(
    trials: TrialTable, stages: StageTable | None, programmes: ProgrammeTable | None
) -> list[str]:
    """Hold the tables against each other.

    Parameters
    ----------
    trials : TrialTable
    stages : StageTable or None
    programmes : ProgrammeTable or None

    Returns
    -------
    list of str
        What is odd in each table and between them, a plain line each, beginning with the table.

    Raises
    ------
    InputError
        Two tables spell one stage or programme in two ways.
    """
    notes = [f"trial table: {note}" for note in trials.notes]
    heard = _compared(trials)
    if stages is not None:
        notes += [f"stage table: {note}" for note in stages.notes]
        known = stages.frame["stage"].tolist()
        _same_spelling("stage", heard, known, stages.source)
        notes += _unknown("stage", sorted(heard - set(known)), "no cost, factors or figures")
    if programmes is not None:
        notes += [f"programme table: {note}" for note in programmes.notes]
        known = programmes.frame["programme"].unique().tolist()
        played = set(trials.frame["programme"].astype(str).unique()) - {""}
        _same_spelling("programme", played, known, programmes.source)
        _same_spelling("stage", heard, programmes.frame["stage"].unique(), programmes.source)
        notes += _unknown("programme", sorted(played - set(known)), "no figures")
    return notes


def _compared(trials: TrialTable) -> set[str]:
    """Return the stages of trials that count: no controls, no roles of a rating."""
    return _named(trials.frame.loc[trials.frame["control"] == ""]) - set(ROLE_STAGES)


def _named(rows: pd.DataFrame) -> set[str]:
    return {str(name) for column in STAGE_COLUMNS for name in rows[column].unique()} - {""}


def _unknown(what: str, names: list[str], without: str) -> list[str]:
    if not names:
        return []
    return [
        f"{what} table: it has no row for {', '.join(names[:_MOST_SHOWN])}, which the trials name; "
        f"there are {without} for {'it' if len(names) == 1 else 'them'}"
    ]


def _same_spelling(
    what: str, heard: Iterable[str], known: Iterable[str], source: str | None
) -> None:
    """Refuse a name that two tables spell in two ways."""
    exact = set(known)
    by_fold = {folded(name): name for name in exact}
    for name in sorted(set(heard) - exact):
        other = by_fold.get(folded(name))
        if other is not None:
            raise InputError(
                source=source,
                where=f"{what} {other}",
                problem=f"the trials call it {name!r}; the two differ only in "
                f"{how_alike(name, other)}",
                remedy=f"Write the {what} in one way in both tables",
            )
