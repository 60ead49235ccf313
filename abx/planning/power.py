"""What a plan can find, for the commands and the desk: the question, and its answer in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from abx.errors import InputError
from abx.methods import get_method
from abx.planning.prices import priced_table
from abx.schedule.planned_trials import PlannedPanels
from abx.study.model import Study
from abx.study_file.design_claims import design_claims
from analysis.claims.grammar import parse_claim

if TYPE_CHECKING:
    from abx.study.workspace import Workspace
    from analysis.planning.findings import PlanQuestion
    from analysis.planning.supposed import Sizes
    from analysis.tables.stages import StageTable

__all__ = ["Asked", "ask_plan"]


@dataclass(frozen=True, slots=True, eq=False)
class Asked:
    """The question that a plan puts to the simulation.

    Attributes
    ----------
    question : PlanQuestion
    claims : tuple of str
        As people read them, in the order of the question's.
    declared : bool
        False where the study declares none, and examples stand in.
    silent : tuple of str
        Methods on whose answers no claim rests.
    visits : float
        Share of the listeners who come for a short visit.
    """

    question: PlanQuestion
    claims: tuple[str, ...]
    declared: bool
    silent: tuple[str, ...]
    visits: float


def ask_plan(
    study: Study,
    sizes: Sizes | None = None,
    *,
    workspace: Workspace | None = None,
    visits: float = 0.0,
) -> Asked | None:
    """Make the question.

    Parameters
    ----------
    study : Study
        The checked study file, or a draft of it.
    sizes : Sizes, optional
        What is supposed to be true.
    workspace : Workspace, optional
        Where the measurements lie; only a claim about a metric needs them.
    visits : float, optional
        Share of the listeners who come for a short visit, 0 to 1.

    Returns
    -------
    Asked or None
        None where the study asks for ratings and grades only.

    Raises
    ------
    InputError
        If a share is no better than guessing in a method of the study.
    """
    from analysis.planning.families import Family
    from analysis.planning.findings import PlanQuestion
    from analysis.planning.supposed import Sizes

    sizes = sizes or Sizes()
    methods = _methods(study)
    if not methods:
        return None
    _check_sizes(sizes, methods)
    panels = PlannedPanels(study, visits=visits)
    examples = _examples(study)
    declared = (*study.claims, *design_claims(study))
    claims = declared or tuple(examples)
    family = Family(
        tuple(_with_planned_names(claims)),
        study.plan.alpha,
        stages=_stage_table(study, claims, workspace),
        primary=study.plan.primary_metric if _about_metrics(claims) else None,
        family=bool(declared),
    )
    question = PlanQuestion(
        family,
        sizes,
        study.plan.listeners,
        panels.panel,
        groups=panels.groups,
        pair=_pair_of(claims),
        guessing=max(map(_guessing, methods)),
    )
    spoken = {_kind_of_answers(claim) for claim in claims}
    silent = [m for m in methods if ("paired" if m == "paired" else "heard") not in spoken]
    shown = declared or tuple(f"{text} ({label})" for text, label in examples.items())
    return Asked(question, shown, bool(declared), tuple(silent), visits)


def _methods(study: Study) -> list[str]:
    """Return the methods of a study that have right answers or choices."""
    from analysis.tables.trials import FORCED_CHOICE

    return [test.method for test in study.tests if test.method in (*FORCED_CHOICE, "paired")]


def _guessing(method: str) -> float:
    """Return the share of right answers, or of choices, that no difference at all would give."""
    from analysis.hearing.dprime import CHANCE

    return 0.5 if method == "paired" else CHANCE[method]


def _check_sizes(sizes: Sizes, methods: Sequence[str]) -> None:
    for method in methods:
        option = "--share" if method == "paired" or sizes.right is None else "--right"
        share = sizes.share if option == "--share" else sizes.heard
        if share <= _guessing(method):
            raise InputError(
                where=option,
                problem=f"{share:g} is no better than guessing in {method}",
                remedy=f"Suppose a share above {_guessing(method):.2f}",
            )


def _examples(study: Study) -> dict[str, str]:
    """Return one claim and its method's name for each test, where the study declares none."""
    found: dict[str, str] = {}
    for test in study.tests:
        if test.method in _methods(study) and test.pairs:
            first, second = test.pairs[0]
            verb, between = ("prefer", "over") if test.method == "paired" else ("can tell", "from")
            text = f"listeners {verb} {second} {between} {first}"
            found.setdefault(text, get_method(test.method).label)
    return found


def _with_planned_names(claims: Sequence[str]) -> list[str]:
    """Put planned listeners in the place of those whom claims name; the first ones are whole."""
    parsed = [parse_claim(text) for text in claims]
    named = list(dict.fromkeys(c.names[0] for c in parsed if c.kind == "one hears"))
    return [
        text.replace(
            f"listener {claim.names[0]} ",
            f"listener {PlannedPanels.name(named.index(claim.names[0]))} ",
            1,
        )
        if claim.kind == "one hears"
        else text
        for text, claim in zip(claims, parsed, strict=True)
    ]


def _about_metrics(claims: Sequence[str]) -> bool:
    return any(parse_claim(text).kind == "orders" for text in claims)


def _stage_table(
    study: Study, claims: Sequence[str], workspace: Workspace | None
) -> StageTable | None:
    """Return costs and factors, and the measured figures that claims are about."""
    from analysis.tables.stages import stage_table

    kinds = {parse_claim(text).kind for text in claims}
    if not kinds & {"step", "orders"}:
        return None
    if "orders" in kinds and workspace is not None:
        from abx.evidence.collect import stage_table as measured

        frame = measured(workspace, study)
        named = {
            parse_claim(text).names[0] for text in claims if parse_claim(text).kind == "orders"
        }
        kept = {f"metric_{name}" for name in {*named, study.plan.primary_metric}}
        metrics = [str(name) for name in frame if str(name).startswith("metric_")]
        spare = [name for name in metrics if name.removesuffix("_repeat_sd") not in kept]
        return stage_table(frame.drop(columns=spare))
    return priced_table(study)


def _pair_of(claims: Sequence[str]) -> tuple[str, str] | None:
    """Return the stages of the first plain preference between two, of everybody."""
    for claim in map(parse_claim, claims):
        if claim.kind == "prefer" and claim.who is None and claim.alpha is None:
            return claim.stages[0], claim.stages[1]
    return None


def _kind_of_answers(text: str) -> str:
    return "heard" if parse_claim(text).kind in ("hear", "similar", "one hears") else "paired"
