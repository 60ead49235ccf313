"""Checks of what a study file claims, of whom, and by which measured figure."""

from __future__ import annotations

from collections.abc import Sequence
from types import MappingProxyType

from abx.study.model import Groups, Stage
from abx.text.names import id_fault
from abx.text.toml_lines import KeyPath
from abx.text.toml_reader import Reader, did_you_mean, show
from analysis.claims.grammar import made_step, parse_claim
from stimuli.figures.metrics import STAGE_METRICS
from stimuli.files.errors import InputError

__all__ = ["NOT_SAID", "read_claims", "read_groups", "read_primary_metric"]

_MOST_GROUPS = 8
NOT_SAID = "not-said"
"""What an answer may not be called: it stands for those who would rather not say."""


def read_groups(root: Reader) -> Groups | None:
    """Read ``[groups]``: one question that sorts listeners, and its answers.

    Raises
    ------
    InputError
        If the question or one of its answers is wrong.
    """
    table = root.table("groups")
    if table is None:
        return None
    table.only(("ask", "answers"))
    answers = table.table("answers")
    if answers is None or not 2 <= len(answers.data) <= _MOST_GROUPS:
        given = 0 if answers is None else len(answers.data)
        raise table.error(
            None if answers is None else "answers",
            f"{given} answers",
            f'give 2 to {_MOST_GROUPS}, for example answers = {{ players = "Yes", others = "No" }}',
        )
    for name in answers.data:
        if id_fault(name) is not None or name == NOT_SAID:
            raise answers.error(
                name,
                f"{show(name)} is not a name of a group",
                "use 1 to 40 lower-case letters, digits and hyphens, a letter or a digit first, "
                f"and not '{NOT_SAID}'",
            )
    words = {name: answers.text(name, max_length=80) for name in answers.data}
    if len(set(words.values())) < len(words):
        raise table.error("answers", "two answers read the same", "word each one differently")
    return Groups(ask=table.text("ask"), answers=MappingProxyType(words))


def read_claims(table: Reader, stages: Sequence[Stage], groups: Groups | None) -> tuple[str, ...]:
    """Read ``claims`` of the plan against the grammar of :mod:`analysis.claims.grammar`.

    Stages, metrics and groups of listeners that a sentence names have to be there.

    Raises
    ------
    InputError
        If a claim is none, names what is not there, or stands there twice.
    """
    claims = table.strings("claims", default=[])
    for index, claim in enumerate(claims):
        _check_claim(table, index, claim, stages, groups)
        if claim in claims[:index]:
            raise table.at(
                ("claims", index),
                f"{show(claim)} is claimed twice",
                "state each claim once: every claim makes the test of the others stricter",
            )
    return tuple(claims)


def _check_claim(
    table: Reader, index: int, claim: str, stages: Sequence[Stage], groups: Groups | None
) -> None:
    place: KeyPath = ("claims", index)
    try:
        parsed = parse_claim(claim)
    except InputError as error:
        raise table.at(place, error.problem, error.remedy or "") from error
    made = {stage.id: stage.made is not None for stage in stages}
    for stage in parsed.stages:
        if stage not in made:
            raise table.at(place, f"there is no stage '{stage}'", did_you_mean(stage, tuple(made)))
        if parsed.kind == "step" and made[stage]:
            raise table.at(place, *made_step(stage))
    if parsed.kind == "orders":
        _check_metric(table, place, parsed.names[0])
    if parsed.who is not None:
        _check_group(table, place, parsed.who, groups)


def _check_group(table: Reader, place: KeyPath, who: str, groups: Groups | None) -> None:
    if groups is None:
        raise table.at(
            place,
            f"the claim is about the group '{who}', but listeners are not asked for any",
            "add [groups] with 'ask', the question, and 'answers', or leave out 'among ...'",
        )
    if who not in groups.answers:
        raise table.at(place, f"there is no group '{who}'", did_you_mean(who, groups.answers))


def read_primary_metric(table: Reader) -> str:
    """Read ``primary_metric`` of the plan: a figure that the program measures of every stage."""
    name = table.text("primary_metric", "deviation_sd_db", max_length=60)
    _check_metric(table, ("primary_metric",), name)
    return name


def _check_metric(table: Reader, place: KeyPath, name: str) -> None:
    if name not in STAGE_METRICS:
        known = STAGE_METRICS
        raise table.at(place, f"there is no metric '{name}'", did_you_mean(name, known))
