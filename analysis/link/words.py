"""What is said of one metric held against the worths."""

from __future__ import annotations

from typing import Any

from analysis.link.permutation import smallest_order_p
from analysis.link.regression import FEWEST_STAGES
from analysis.panels.number_words import listed, p_words

__all__ = ["declined_words", "link_words", "standing_words"]


def declined_words(n_stages: int, problem: str | None) -> str | None:
    """Say why a metric is not tested as a rule; None where it is.

    Parameters
    ----------
    n_stages : int
        Measured stages with a worth and a value of the metric.
    problem : str or None
        Why nothing at all could be worked out.
    """
    if problem is not None:
        return f"{problem[0].upper()}{problem[1:]}."
    if n_stages >= FEWEST_STAGES:
        return None
    smallest = smallest_order_p(n_stages)
    lucky = (
        f"even a perfect order cannot get below p = {smallest:.3f}"
        if smallest > 0.05
        else f"a line would rest on {n_stages - 2} degrees of freedom, so that moving one stage "
        "decides it"
    )
    return (
        f"{n_stages} stages are {n_stages} points, however many trials stand behind each: {lucky}, "
        "and among a handful of unrelated figures one nearly always lines up with so few. So the "
        "order, its exact p and whether the figure is compatible with the worths are given, and no "
        f"slope, no test of a rule and no prediction. {FEWEST_STAGES} stages or more would allow a "
        "test."
    )


def standing_words(row: dict[str, Any]) -> str:
    """Begin the sentence of a metric that is not the primary one of a sealed plan."""
    if row["primary"]:
        return ""
    if row["named_by"] == "analysis":
        return (
            "Exploratory, since whoever ran the analysis named this figure and no sealed plan "
            "does: "
        )
    if row["planned"]:
        return "Exploratory, since the sealed plan names another figure as primary: "
    return "Exploratory, since no sealed plan names a primary figure: "


def link_words(row: dict[str, Any]) -> str:
    """Write a row of the ``link`` block as a sentence."""
    name, n = row["metric"], row["n_stages"]
    if row["spearman"] is None:
        return str(row["declined_reason"])
    order = (
        f"over {n} stages {_pairs(row)} "
        f"(rank correlation {row['spearman']:+.2f}, permutation {_order_p(row)})"
    )
    begun = standing_words(row) + order
    begun = begun[0].upper() + begun[1:]
    kept = {True: "; the worths are compatible with it alone", None: ""}.get(
        row["compatible"], "; worths differ by more than it explains"
    )
    if row["verdict"] == "declined":
        return f"{begun}{kept}."
    p = p_words(row["p_adjusted"]) + _tried(row)
    if row["verdict"] == "supported":
        alone = "" if row["n_adjusted"] == 1 else " for this figure alone"
        return (
            f"{begun}{kept}. Over these {n} stages one unit of {name} goes with "
            f"{row['slope']:+.2f} logits of worth ({row['ci_low']:+.2f} to {row['ci_high']:+.2f}"
            f"{alone}; {p}).{_weight(row)}"
        )
    return f"{begun}{kept}. No rule from {name} to preference is shown ({p})."


def _weight(row: dict[str, Any]) -> str:
    """Say how far a rule that passed its test carries."""
    said = ""
    if row["leave_one_out"] is not None:
        own, mean = row["leave_one_out"]["rmse"], row["leave_one_out"]["rmse_mean"]
        said += (
            f" Each stage worked out from the others was missed by {own:.2f} logits on average, by "
            f"{mean:.2f} with their mean instead."
        )
    if row["compatible"] is False:
        fit = p_words(row["lack_of_fit"]["p_value"])
        said += f" The stages differ by more than {row['metric']} explains (lack of fit, {fit})."
    if not row["predicts"]:
        said += " So nothing is predicted from it."
    if row["chain"]:
        said += (
            f" These stages are one chain of additions ({listed(row['chain'])}): whatever grows "
            "along it, cost and hours included, lines up as well, so this cannot show that the "
            "figure is the reason."
        )
    return said


def _pairs(row: dict[str, Any]) -> str:
    """Say in how many pairs of stages the worths follow the figure, in the way they mostly do."""
    way = "higher" if row["spearman"] >= 0 else "lower"
    found, other = row["pairs_agree"], row["pairs_opposed"]
    every = "all " if found == row["pairs_total"] else ""
    tail = "" if every else f" of {row['pairs_total']}"
    against = f", the opposite in {other}" if other else ""
    return f"{way} {row['metric']} goes with higher worth in {every}{found}{tail} pairs{against}"


def _order_p(row: dict[str, Any]) -> str:
    return p_words(row["p_exact_adjusted"]) + _tried(row)


def _tried(row: dict[str, Any]) -> str:
    """Say for how many figures a p is adjusted."""
    n = row["n_adjusted"]
    return f", adjusted for {n} figures" if n > 1 else ""
