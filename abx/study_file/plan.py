"""The ``[plan]`` table: how many listeners, which claims, at which level."""

from __future__ import annotations

from abx.errors import InputError
from abx.study.model import Groups, Plan, Stage
from abx.study_file.claims import read_claims, read_primary_metric
from abx.text.toml_reader import Reader, show
from analysis.listeners.screening import parse_screening
from analysis.panels.smallest_effect import check_smallest_effect

__all__ = ["read_plan"]


def read_plan(root: Reader, stages: tuple[Stage, ...], groups: Groups | None) -> Plan:
    """Read the plan.

    Raises
    ------
    InputError
        If there is none, or an entry of it is wrong.
    """
    table = root.table("plan")
    if table is None:
        raise root.error(None, "no [plan] in the file", "add [plan] with 'listeners = 16'")
    table.only(
        (
            "listeners",
            "alpha",
            "stopping",
            "primary_metric",
            "break_after_min",
            "claims",
            "screening",
            "budgets",
            "counter_minutes",
            "familiarisation",
            "smallest_effect",
        )
    )
    return Plan(
        listeners=table.integer("listeners", low=1, high=10_000),
        alpha=table.number("alpha", 0.05, low=1e-6, high=0.5),
        stopping=table.choice("stopping", ("fixed",), "fixed"),
        primary_metric=read_primary_metric(table),
        break_after_min=table.number("break_after_min", 12.5, low=1.0, high=25.0),
        claims=read_claims(table, stages, groups),
        screening=_read_screening(table),
        budgets=_read_budgets(table),
        counter_minutes=table.number("counter_minutes", 5.0, low=2.0, high=25.0),
        familiarisation=table.boolean("familiarisation", True),
        smallest_effect=_read_smallest_effect(table),
    )


def _read_smallest_effect(table: Reader) -> float | None:
    if "smallest_effect" not in table.data:
        return None
    points = table.number("smallest_effect")
    try:
        check_smallest_effect(points)
    except InputError as error:
        raise table.error("smallest_effect", error.problem, error.remedy or "") from error
    return points


def _read_screening(table: Reader) -> str | None:
    if "screening" not in table.data:
        return None
    rule = table.text("screening")
    try:
        return parse_screening(rule).text
    except InputError as error:
        raise table.error("screening", error.problem, error.remedy or "") from error


def _read_budgets(table: Reader) -> tuple[float, ...]:
    budgets = table.data.get("budgets", [])
    if not isinstance(budgets, list):
        raise table.error("budgets", f"{show(budgets)} is not a list", "write [500, 1000]")
    for index, amount in enumerate(budgets):
        if isinstance(amount, bool) or not isinstance(amount, int | float) or not amount > 0:
            raise table.at(
                ("budgets", index), f"{show(amount)} is not an amount", "write numbers above 0"
            )
    return tuple(float(amount) for amount in budgets)
