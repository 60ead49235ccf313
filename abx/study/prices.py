"""What the stages of a study take in money and hours, in parts and together.

None stands for what nobody entered. It is not 0, and nothing that it is a part of is known either.
"""

from __future__ import annotations

from abx.study.model import Stage, Study
from analysis.tables.money import amount_text

__all__ = ["labour_money", "price_columns", "stage_price_line", "whole_price"]


def labour_money(study: Study, stage: Stage) -> float | None:
    """Return a stage's labour in money; None without hours or without an hourly rate."""
    rate = study.prices.hourly_rate
    return None if rate is None or stage.labour_h is None else rate * stage.labour_h


def whole_price(study: Study, stage: Stage) -> float | None:
    """Return cost and labour of a stage together, None where one of them is not known in money."""
    labour = labour_money(study, stage)
    return None if labour is None or stage.cost is None else stage.cost + labour


def price_columns(study: Study, stage: Stage) -> dict[str, float | str | None]:
    """Return the columns of the stage table about money, None where a price is not known.

    Currency and hourly rate have a column only where the study has them.
    """
    columns: dict[str, float | str | None] = {"cost": stage.cost, "labour_h": stage.labour_h}
    if study.prices.currency:
        columns["currency"] = study.prices.currency
    if study.prices.hourly_rate is not None:
        columns["hourly_rate"] = study.prices.hourly_rate
    return columns


def stage_price_line(study: Study, stage: Stage) -> str:
    """Say in a line what a stage takes, with both parts and with what is not known."""

    def money(value: float) -> str:
        return amount_text(value, study.prices.currency)

    labour, whole = labour_money(study, stage), whole_price(study, stage)
    parts = ["Price: not known" if stage.cost is None else f"Price: {money(stage.cost)}"]
    if stage.labour_h is None:
        parts.append("hours of labour not known")
    else:
        inside = "" if labour is None else f" ({money(labour)})"
        parts.append(f"{stage.labour_h:.4g} h of labour{inside}")
    if whole is not None:
        parts.append(f"together {money(whole)}")
    return "; ".join(parts)
