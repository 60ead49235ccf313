"""``earwitness analyse``: a trial table in, one JSON out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from abx.commands._show import detail, heading, progress, say

__all__ = ["command", "show_results"]


@click.command("analyse")
@click.argument("trials", type=click.Path(path_type=Path), metavar="TRIALS.csv")
@click.option("--stages", type=click.Path(path_type=Path), help="Stage table (CSV or Parquet).")
@click.option(
    "--json",
    "json_path",
    type=click.Path(path_type=Path),
    help="Where to write the results. Default: results.json beside the trial table.",
)
@click.option("--claim", "claims", multiple=True, help="A claim to test; may be repeated.")
@click.option("--alpha", type=click.FloatRange(0.0001, 0.5), default=0.05, show_default=True)
@click.option("--reference", help="Stage with worth 0. Default: the last in sorted order.")
def command(
    trials: Path,
    stages: Path | None,
    json_path: Path | None,
    claims: tuple[str, ...],
    alpha: float,
    reference: str | None,
) -> None:
    """Analyse the trial table TRIALS.csv; it may come from anywhere.

    The columns are described in the README. Listeners, not trials, are the unit of
    every statement.
    """
    from abx.steps import write_json
    from analysis.run import analyse
    from analysis.stages import read_stages
    from analysis.trials import read_trials

    table = read_trials(trials)
    stage_table = read_stages(stages) if stages is not None else None
    with progress("Analysing"):
        results = analyse(
            table, stages=stage_table, claims=claims, alpha=alpha, reference=reference
        )
    out = json_path or trials.with_name("results.json")
    write_json(out, results)
    show_results(results)
    say(f"Results in {out}", always=True)


def show_results(results: dict[str, Any]) -> None:
    """Print what was counted and each claim with its verdict."""
    about = results["about"]
    heading(f"{about['n_trials']} trials, {about['n_listeners']} listeners")
    if about.get("simulated"):
        detail("SIMULATED listeners: these results say nothing about people.")
    for claim in results.get("claims", []):
        detail(f"{claim['verdict']:<12}  {claim['text']}")
