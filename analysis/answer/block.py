"""The ``answer`` block of the analysis: what a first screen, a card and a sheet may say of people.

A page makes no test of its own. Each sentence is the verdict of a claim of one family: of those
that were declared, or, where none was, of those that the design suggests
(:mod:`analysis.answer.family`), which are judged together and called exploratory. So the chance of
any false sentence on a page is that of the family, at most its error rate.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from analysis.answer.choose import Said, choose, question_of
from analysis.answer.family import Design, default_claims, design_of
from analysis.answer.ground import comparisons, unheard
from analysis.answer.picture import step_picture
from analysis.answer.prices import price_orders
from analysis.answer.standing import Standing
from analysis.claims.judge import Heard, judge_parsed
from analysis.hearing.pair_cells import PairCells
from analysis.tables.stages import StageTable

__all__ = ["answer_block", "choose_answer", "sentences_of"]

Row = Mapping[str, Any]


def answer_block(
    claims: Sequence[Row],
    heard: Heard,
    *,
    stages: StageTable | None = None,
    alpha: float = 0.05,
    smallest_effect: float | None = None,
    simulated: bool = False,
    upgrade: Mapping[str, Any] | None = None,
    preference: Mapping[str, Any] | None = None,
    discrimination: Sequence[Row] = (),
) -> dict[str, Any]:
    """Return what the first screen may say.

    Parameters
    ----------
    claims : sequence of mapping
        The declared claims with their verdicts, from
        :func:`analysis.claims.judge.judge_claims`.
    heard : Heard
        The answers of all listeners.
    stages : StageTable, optional
        Factors and prices, which make steps of stages.
    alpha, smallest_effect, simulated
        As for the claims; used where none was declared.
    upgrade, preference, discrimination : optional
        Those blocks of the analysis, for the shares of resampled panels, the gains by price and
        the pairs that no claim is about.

    Returns
    -------
    dict
        ``exploratory``, ``family`` (the claims judged where none was declared), ``question``,
        ``lead``, ``beside``, ``rests_on``, ``unheard``, ``small``, ``orders``, ``picture``,
        ``design``, ``n_trials`` and ``n_listeners`` (of the answers that bear on it).
    """
    design = design_of(heard.preference, heard.cells, stages)
    family: list[dict[str, Any]] = []
    if not claims:
        family = judge_parsed(
            default_claims(design),
            heard,
            stages=stages,
            alpha=alpha,
            smallest_effect=smallest_effect,
            simulated=simulated,
        )
    answer = choose_answer(
        claims or family,
        design,
        exploratory=not claims,
        alpha=alpha,
        upgrade=upgrade,
        preference=preference,
        discrimination=discrimination,
    )
    return {"family": family} | answer | _bearing(answer["question"], heard)


def choose_answer(
    rows: Sequence[Row],
    design: Design,
    *,
    exploratory: bool,
    alpha: float = 0.05,
    upgrade: Mapping[str, Any] | None = None,
    preference: Mapping[str, Any] | None = None,
    discrimination: Sequence[Row] = (),
) -> dict[str, Any]:
    """Choose the sentences from the verdicts of a family; see :func:`answer_block`."""
    standing = Standing(rows, design)
    question = question_of(design, standing, exploratory=exploratory)
    steps = [] if upgrade is None else list(upgrade.get("first_step") or [])
    order = [] if upgrade is None else list(upgrade.get("order") or [])
    worths = [] if preference is None else list(preference.get("stages") or [])
    panels = {"first step": _front(steps, "step"), "liked most": _front(worths, "stage")}
    lead, beside = choose(question, design, standing, panels, exploratory=exploratory)
    return {
        "exploratory": exploratory,
        "question": question,
        "lead": None if lead is None else lead.row(),
        "beside": [said.row() for said in beside],
        "rests_on": comparisons(rows, design, standing, question, lead, discrimination),
        "unheard": unheard(design, standing, discrimination, alpha),
        "small": standing.small(),
        "orders": price_orders(steps) if question == "first step" else None,
        "picture": step_picture(order, standing) if question == "first step" else [],
        "design": {
            "compared": list(design.compared),
            "made": list(design.made),
            "baseline": design.baseline,
            "first_steps": list(design.first_steps),
            "asked": [list(pair) for pair in design.asked],
        },
    }


def sentences_of(answer: Mapping[str, Any], claims: Sequence[Row]) -> list[Said]:
    """Return all that the pages say of listeners: the answer, and the verdict of every claim.

    For the calibration of sentences: each :attr:`analysis.answer.choose.Said.asserts` is true of
    the listeners or it is not.

    Parameters
    ----------
    answer : mapping
        From :func:`answer_block`.
    claims : sequence of mapping
        The declared claims; without any, the family of the answer is read.

    Returns
    -------
    list of Said
        Verdicts under the key ``verdict``. Beside ``prefer`` and ``hear`` they may assert
        ``("not most", I, "")`` and ``("per cost", I, J)`` or ``("per labour", I, J)``.
    """
    rows = [row for row in (answer["lead"], *answer["beside"]) if row is not None]
    said = [
        Said(row["say"], row["names"], tuple((one[0], one[1], one[2]) for one in row["asserts"]))
        for row in rows
    ]
    compared = answer["design"]["compared"]
    family = claims or answer["family"]
    verdicts = [Said("verdict", asserts=_asserts(row, compared)) for row in family]
    return [one for one in (*said, *verdicts) if one.asserts]


def _asserts(row: Row, compared: Sequence[str]) -> tuple[tuple[str, str, str], ...]:
    """Return what the verdict of one claim states."""
    kind, stages = row["kind"], list(row["stages"])
    if row["verdict"] not in ("supported", "contradicted"):
        return ()
    supported = row["verdict"] == "supported"
    if kind in ("most", "most of"):
        rivals = stages[1:] or [s for s in compared if s != stages[0]]
        over = tuple(("prefer", stages[0], rival) for rival in rivals)
        return over if supported else (("not most", stages[0], ""),)
    if kind in ("prefer", "step"):
        first, second = stages if supported else stages[::-1]
        return ((f"per {row['per']}" if row.get("per") else "prefer", first, second),)
    return (("hear", stages[0], stages[1]),) if kind == "hear" and supported else ()


def _front(rows: Sequence[Row], name: str) -> tuple[str, float] | None:
    """Return what came first in most resampled panels, and in what share of them."""
    known = [row for row in rows if row.get("p_best") is not None and np.isfinite(row["p_best"])]
    if not known:
        return None
    front = max(known, key=lambda row: float(row["p_best"]))
    return str(front[name]), float(front["p_best"])


def _bearing(question: str | None, heard: Heard) -> dict[str, Any]:
    """Count the answers, and their listeners, that bear on the first sentence."""
    fit = None if heard.preference is None else heard.preference.main
    if question in ("first step", "liked most") and fit is not None:
        return {"n_trials": fit.n_trials, "n_listeners": fit.n_listeners}
    if question == "told apart":
        people = {str(name) for group in heard.cells for name in _listeners(group)}
        trials = sum(int(group.cells["n_trials"].sum()) for group in heard.cells)
        return {"n_trials": trials, "n_listeners": len(people)}
    return {"n_trials": None, "n_listeners": None}


def _listeners(group: PairCells) -> list[Any]:
    own = group.cells
    return own.loc[own["n_trials"] > 0, "listener"].unique().tolist()
