"""What the prices of a study leave open, in sentences, before anybody listens."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from abx.study.model import Study
from abx.study.prices import price_columns
from analysis.claims.grammar import parse_claim
from analysis.panels.number_words import listed
from analysis.tables.money import amount_text

if TYPE_CHECKING:
    from analysis.tables.stages import StageTable
    from analysis.upgrade.lattice import Lattice

__all__ = ["price_lines", "priced_table"]


def priced_table(study: Study) -> StageTable:
    """Return the stage table of a study without its measured figures."""
    import pandas as pd

    from analysis.tables.stages import stage_table

    rows = [
        {"stage": stage.id, "made": "" if stage.made is None else stage.made.kind}
        | price_columns(study, stage)
        | {f"factor_{name}": value for name, value in stage.factors.items()}
        for stage in study.stages
    ]
    return stage_table(pd.DataFrame(rows))


def price_lines(study: Study) -> list[str]:
    """Say how money is counted and what prices that nobody entered leave open.

    Parameters
    ----------
    study : Study
        The checked study file.
    """
    lattice = _lattice(study)
    lines = [*_counting(study), *_unknown(study)]
    if lattice is not None:
        lines += [*_start_lines(study, lattice), *_budget_lines(study, lattice)]
        lines += _claim_lines(study, lattice)
    return lines


def _lattice(study: Study) -> Lattice | None:
    """Return the steps that the paired questions ask about, None where there are none."""
    from analysis.upgrade.lattice import make_lattice

    asked = {stage for test in study.tests if test.method == "paired" for stage in test.stages}
    compared = tuple(stage.id for stage in study.stages if stage.id in asked)
    return make_lattice(priced_table(study), compared)


def _counting(study: Study) -> Iterator[str]:
    prices = study.prices
    parts = [f"prices in {prices.currency}"] if prices.currency else []
    if prices.hourly_rate is not None:
        parts.append(f"an hour of labour at {_money(study, prices.hourly_rate)}")
    line = ", ".join(parts) or ("prices" if prices.tax else "")
    if line:
        yield f"{line} ({prices.tax})" if prices.tax else line


def _unknown(study: Study) -> Iterator[str]:
    bought = [stage for stage in study.stages if stage.made is None]
    cost = [stage.id for stage in bought if stage.cost is None]
    hours = [stage.id for stage in bought if stage.labour_h is None]
    if len(cost) == len(hours) == len(bought):
        yield "costs and hours of labour not known: no gain for its cost or by the hour is given"
        return
    if cost:
        yield (
            f"cost not known: {', '.join(cost)}; a step to or from there is in no budget, and no "
            "gain for its cost is given"
        )
    if hours:
        yield (
            f"labour not known: {', '.join(hours)}; no gain by the hour is given for a step to or "
            "from there"
        )


def _start_lines(study: Study, lattice: Lattice) -> Iterator[str]:
    """Say what to write where prices are known, but not that of the stage they count from."""
    start, bought = study.stage(lattice.baseline), [s for s in study.stages if s.made is None]
    keys = [
        f"{key} = 0.0"
        for key in ("cost", "labour_h")
        if getattr(start, key) is None and any(getattr(s, key) is not None for s in bought)
    ]
    if keys:
        yield (
            f"prices count from {start.id}: if it is the system as found, give it "
            f"{' and '.join(keys)}"
        )


def _budget_lines(study: Study, lattice: Lattice) -> Iterator[str]:
    from analysis.upgrade.prices import unpriced

    missing = unpriced(lattice)
    if not study.plan.budgets or not missing:
        return
    amounts = listed([_money(study, amount) for amount in study.plan.budgets])
    line = f"budget{'s' if len(study.plan.budgets) > 1 else ''} {amounts}"
    if lattice.baseline in missing:
        yield (
            f"{line}: not answered, since the price of {lattice.baseline}, where the steps start, "
            "is not known"
        )
        return
    verb, whose = ("is", "its") if len(missing) == 1 else ("are", "their")
    yield f"{line}: {listed(missing)} {verb} in none, since {whose} price is not known"


def _claim_lines(study: Study, lattice: Lattice) -> Iterator[str]:
    from analysis.upgrade.prices import unknown_among

    for text in study.claims:
        claim = parse_claim(text)
        if claim.kind != "step" or not claim.names:
            continue
        what = claim.names[0]
        missing = unknown_among(lattice, what, _in_order(lattice, claim.stages))
        if missing:
            verb = f"the {what} of {listed(missing)} is not known"
            yield f'claim "{text}" stays undecided: {verb}'


def _in_order(lattice: Lattice, stages: Sequence[str]) -> list[str]:
    return [stage for stage in lattice.cost if stage in (*stages, lattice.baseline)]


def _money(study: Study, amount: float) -> str:
    return amount_text(amount, study.prices.currency)
