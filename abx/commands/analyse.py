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
    "--programmes",
    type=click.Path(path_type=Path),
    help="Programme table (CSV): what each stage does to each excerpt.",
)
@click.option(
    "--json",
    "json_path",
    type=click.Path(path_type=Path),
    help="Where to write the results. Default: results.json beside the trial table.",
)
@click.option("--claim", "claims", multiple=True, help="A claim to test; may be repeated.")
@click.option("--alpha", type=click.FloatRange(0.0001, 0.5), default=0.05, show_default=True)
@click.option("--reference", help="Stage with worth 0. Default: the last in sorted order.")
@click.option("--metric", help="The measured figure that the plan names for the link.")
@click.option("--screening", help="The rule by which the plan declared to leave listeners out.")
@click.option(
    "--mid-p",
    is_flag=True,
    help="Adjust each listener's mid-p for the number of tests, instead of the exact p.",
)
@click.option(
    "--budget",
    "budgets",
    type=float,
    multiple=True,
    help="An amount to spend; may be repeated. The recommended set is worked out for it.",
)
@click.option(
    "--without",
    multiple=True,
    type=click.Choice(["groups", "tastes", "programmes", "grades", "resampling"]),
    help="A part that takes long on large tables, to leave out; may be repeated.",
)
@click.option(
    "--report",
    "report_path",
    type=click.Path(path_type=Path),
    help="Also write a report of these results as one HTML file.",
)
@click.option("--title", help="Title of that report. Default: the name of the trial table.")
def command(
    trials: Path,
    stages: Path | None,
    programmes: Path | None,
    json_path: Path | None,
    claims: tuple[str, ...],
    alpha: float,
    reference: str | None,
    metric: str | None,
    screening: str | None,
    mid_p: bool,
    budgets: tuple[float, ...],
    without: tuple[str, ...],
    report_path: Path | None,
    title: str | None,
) -> None:
    """Analyse the trial table TRIALS.csv; it may come from anywhere.

    The columns are described in the documentation. Listeners, not trials, are the unit of
    every statement.
    """
    from abx.steps import write_json
    from analysis.link_programmes import read_programmes
    from analysis.run import analyse
    from analysis.stages import read_stages
    from analysis.trials import read_trials

    table = read_trials(trials)
    stage_table = read_stages(stages) if stages is not None else None
    with progress("Analysing"):
        results = analyse(
            table,
            stages=stage_table,
            programmes=read_programmes(programmes) if programmes is not None else None,
            claims=claims,
            alpha=alpha,
            reference=reference,
            primary_metric=metric,
            screening=screening,
            budgets=budgets or None,
            mid_p=mid_p,
            without=without,
            tell=lambda sentence: click.echo(sentence, err=True),
        )
    out = json_path or trials.with_name("results.json")
    write_json(out, results)
    show_results(results)
    say(f"Results in {out}", always=True)
    if report_path is not None:
        _write_report(results, report_path, title or trials.stem, alpha, claims)
        say(f"Report in {report_path}", always=True)


def _write_report(
    results: dict[str, Any], path: Path, title: str, alpha: float, claims: tuple[str, ...]
) -> None:
    """Write the report of somebody's table: what was measured or planned is not known."""
    from abx.evidence import software_versions
    from analysis.report import build_report

    study = {
        "title": title,
        "simulated": bool(results["about"].get("simulated")),
        "plan": {"alpha": alpha, "claims": list(claims)},
    }
    with progress("Writing the report"):
        build_report({"study": study, "results": results, "software": software_versions()}, path)


def show_results(results: dict[str, Any]) -> None:
    """Print what was counted and each claim with its verdict."""
    about = results["about"]
    heading(f"{about['n_trials']} trials, {about['n_listeners']} listeners")
    if about.get("simulated"):
        detail("SIMULATED listeners: these results say nothing about people.")
    for claim in results.get("claims", []):
        detail(f"{claim['verdict']:<12}  {claim['text']}")
