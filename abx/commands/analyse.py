"""``earwitness analyse``: a trial table in, one JSON out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from abx.commands._show import detail, heading, progress, say

if TYPE_CHECKING:
    from analysis.results.claims import ClaimRow
    from analysis.results.whole import Results

__all__ = ["command", "show_results"]

_UNPLANNED = (
    "No sealed plan comes with these tables: every measured figure is exploratory, its p adjusted "
    "for all of them."
)

_TYPED = (
    "The claims came with this command: nothing shows that they were written before the answers "
    "were seen."
)


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
@click.option(
    "--metric",
    help="A measured figure to put first. You name it, no sealed plan does: it stays exploratory.",
)
@click.option("--screening", help="The rule by which the plan declared to leave listeners out.")
@click.option(
    "--smallest-effect",
    type=float,
    metavar="POINTS",
    help="A smaller difference does not matter, in points of decisions: 5 is 55 to 45.",
)
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
    "--power",
    "power_studies",
    type=click.IntRange(0, 100_000),
    default=0,
    help="Also simulate this many studies like this one: how likely it was to support its claims.",
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
@click.option(
    "--stated",
    type=click.Path(path_type=Path),
    help="What the sender of the table states about it (TOML). The report quotes it.",
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
    smallest_effect: float | None,
    mid_p: bool,
    budgets: tuple[float, ...],
    power_studies: int,
    without: tuple[str, ...],
    report_path: Path | None,
    stated: Path | None,
    title: str | None,
) -> None:
    """Analyse the trial table TRIALS.csv; it may come from anywhere.

    The columns are described in the documentation. Listeners, not trials, are the unit of
    every statement. A table alone comes without a plan that was sealed before listening, so no
    measured figure is primary: all are exploratory and adjusted together.
    """
    from abx.study.workspace import write_json
    from abx.text.statement import read_statement
    from analysis.link.programmes import read_programmes
    from analysis.run import analyse
    from analysis.tables.stages import read_stages
    from analysis.tables.trials import read_trials

    statement = read_statement(stated) if stated is not None else {}
    table = read_trials(trials)
    stage_table = read_stages(stages) if stages is not None else None
    with progress("Analysing") as report:
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
            smallest_effect=smallest_effect,
            power_studies=power_studies,
            progress=report,
            without=without,
            tell=lambda sentence: click.echo(sentence, err=True),
        )
    out = json_path or trials.with_name("results.json")
    write_json(out, results.to_dict())
    show_results(results)
    if claims:
        detail(_TYPED)
    for line in _budget_notes(results) if budgets else ():
        detail(line, always=True)
    if results.link and not (results.about and results.about.sealed_plan):
        detail(_UNPLANNED)
    say(f"Results in {out}", always=True)
    if report_path is not None:
        _write_report(results, report_path, title or trials.stem, statement)
        say(f"Report in {report_path}", always=True)


def _write_report(results: Results, path: Path, title: str, stated: dict[str, str]) -> None:
    """Write the report of somebody's table: what was measured or planned is not known."""
    from abx.evidence.collect import software_versions
    from analysis.report import build_report

    simulated = results.about is not None and results.about.simulated
    study = {"title": title, "simulated": simulated, "elsewhere": stated}
    with progress("Writing the report"):
        build_report({"study": study, "results": results, "software": software_versions()}, path)


def show_results(results: Results) -> None:
    """Print what was counted and each claim with its verdict."""
    if (about := results.about) is not None:
        heading(f"{about.n_trials} trials, {about.n_listeners} listeners")
        if about.simulated:
            detail("SIMULATED listeners: these results say nothing about people.")
        for note in about.notes:
            say(f"  note: {note}", always=True)
    for claim in results.claims:
        late = "  (exploratory)" if claim.exploratory else ""
        detail(f"{claim.verdict:<12}  {claim.text}{late}{_size(claim)}")
        if claim.per and claim.p_value is None:
            detail(f"{'':<12}  {claim.words}")


def _budget_notes(results: Results) -> list[str]:
    """Say which stages the budgets cannot buy, since nobody knows their price."""
    from analysis.panels.number_words import listed

    upgrade = results.upgrade
    if upgrade is None or not upgrade.prices.unpriced:
        return []
    missing = upgrade.prices.unpriced
    if not upgrade.budget:
        return [f"budgets: not worked out, since the price of {listed(missing)} is not known"]
    verb, whose = ("is", "its") if len(missing) == 1 else ("are", "their")
    return [f"budgets: {listed(missing)} {verb} in none, since {whose} price is not known"]


def _size(claim: ClaimRow) -> str:
    """Say of a shown difference whether it matters, where that was asked."""
    shown = claim.verdict in ("supported", "contradicted")
    return "  (whether it matters is open)" if shown and claim.matters == "open" else ""
