"""The whole analysis of a trial table as one typed result."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any

from threadpoolctl import threadpool_limits

from analysis.about import json_ready
from analysis.blocks import Options, blocks_of, cells_of
from analysis.claims.check import check_claims, check_options, table_notes
from analysis.link.programmes import ProgrammeTable
from analysis.listeners.screening import ScreeningRule, parse_screening
from analysis.listeners.steadiness import excluded_listeners
from analysis.long_blocks import long_blocks, parse_without
from analysis.once import Once
from analysis.panels.smallest_effect import check_smallest_effect
from analysis.planning.as_run import claims_power
from analysis.preference.group_test import Progress
from analysis.results.reading import typed
from analysis.results.whole import Results
from analysis.tables.stages import StageTable
from analysis.tables.trials import TrialTable
from stimuli.files.errors import InputError

__all__ = [
    "analyse",
]


def analyse(
    trials: TrialTable,
    *,
    stages: StageTable | None = None,
    programmes: ProgrammeTable | None = None,
    claims: Sequence[str] = (),
    alpha: float = 0.05,
    reference: str | None = None,
    seed: int = 1,
    mixed: bool = True,
    screening: str | None = None,
    primary_metric: str | None = None,
    sealed_plan: bool = False,
    budgets: Sequence[float] | None = None,
    mid_p: bool = False,
    smallest_effect: float | None = None,
    power_studies: int = 0,
    progress: Progress | None = None,
    without: Iterable[str] = (),
    tell: Callable[[str], None] | None = None,
) -> Results:
    """Analyse a trial table.

    Parameters
    ----------
    trials : TrialTable
        From :func:`analysis.tables.trials.read_trials`.
    stages : StageTable, optional
        Cost, factors and measured figures by stage.
    programmes : ProgrammeTable, optional
        What each stage does to each programme, for the link programme by programme.
    claims : sequence of str, optional
        Sentences of the grammar in :mod:`analysis.claims.judge`.
    alpha : float, optional
        Error rate of the family of claims, in (0, 1).
    reference : str, optional
        Stage with log-worth 0; the last in sorted order when not given.
    seed : int, optional
        Seed of resampling, permutation and random starts.
    mixed : bool, optional
        False leaves out the models of how listeners differ, as ``without=("groups", "tastes")``.
    screening : str, optional
        The rule by which the plan declared to leave listeners out, see
        :func:`analysis.listeners.screening.parse_screening`. The main results keep everybody;
        ``screened`` holds the same blocks without them.
    primary_metric : str, optional
        A measured figure to hold against the worths first. With `sealed_plan` it is the plan's
        primary one and stands on its own p-value. Otherwise whoever runs the analysis names it: it
        is exploratory and adjusted together with all others, as are all when none is named.
    sealed_plan : bool, optional
        `primary_metric` and `claims` are those of a plan that was sealed before anybody listened.
    budgets : sequence of float, optional
        Amounts to spend, answered in ``upgrade.budget``; every amount at which the choice widens
        when not given.
    mid_p : bool, optional
        Adjust each listener's mid-p value for the number of listeners and pairs instead of the
        exact p-value; both stand in the result anyway. Verdicts on claims do not change: they rest
        on the test between listeners.
    smallest_effect : float, optional
        The smallest effect that matters, in points of decisions: 5 where less than 55 to 45 does
        not matter, see :mod:`analysis.panels.smallest_effect`.
    power_studies : int, optional
        Simulated studies for ``power_claims``, what the claims as a set could have shown with
        these listeners and questions; none when 0, since they take some seconds.
    progress : callable, optional
        ``progress(done, total, what)`` while panels are simulated to test for groups of listeners.
    without : iterable of str, optional
        Blocks to leave out, by the words of :data:`analysis.long_blocks.OPTIONAL`.
    tell : callable, optional
        Is told in a sentence, before the work begins, which block will take long and how to leave
        it out.

    Returns
    -------
    Results
        Typed blocks at full precision, None where a figure is undefined; tables of them by
        ``frame``, all of it as ``results.json`` by ``to_json``.

    Raises
    ------
    InputError
        A claim, the reference, alpha, the primary metric, the smallest effect, a budget, the
        screening rule or a block to leave out cannot be used; a claim names what the data do not
        have; two tables spell one name in two ways.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis import analyse, trials_from
    >>> rows = [
    ...     {"listener": f"P{person}", "stage_a": a, "stage_b": b, "answer": "damped"}
    ...     for person in range(12)
    ...     for a, b in (("damped", "as-built"), ("as-built", "damped"))
    ... ]
    >>> results = analyse(
    ...     trials_from(pd.DataFrame(rows)),
    ...     claims=["listeners prefer damped over as-built"],
    ...     without=["groups", "tastes", "resampling"],
    ... )
    >>> results.preference.pairs[0].wins, results.claims[0].verdict
    (0, 'supported')
    """
    if not 0 < alpha < 1:
        raise InputError(
            where="alpha", problem=f"{alpha!r} is not between 0 and 1", remedy="Write 0.05 or so"
        )
    check_options(primary_metric, budgets, stages)
    check_claims(claims, trials, stages, sealed=sealed_plan)
    smallest = None if smallest_effect is None else check_smallest_effect(smallest_effect)
    rule = None if screening is None else parse_screening(screening)
    options = Options(
        stages=stages,
        programmes=programmes,
        claims=tuple(claims),
        alpha=alpha,
        reference=reference,
        seed=seed,
        primary_metric=primary_metric,
        sealed_plan=sealed_plan,
        notes=tuple(table_notes(trials, stages, programmes)),
        budgets=None if budgets is None else tuple(budgets),
        mid_p=mid_p,
        smallest_effect=smallest,
        screening=rule,
        without=parse_without(without) | (frozenset() if mixed else {"groups", "tastes"}),
        progress=progress,
    )
    waits = long_blocks(trials, options.without)
    if tell is not None:
        for row in waits:
            tell(row["sentence"])
    # The matrices are small: threads that wait for each other cost more than they save, and many
    # times as much on a machine that is busy otherwise.
    with threadpool_limits(limits=1, user_api="blas"):
        result = _whole(trials, options, rule, power_studies)
    result["long_blocks"] = waits
    return typed(json_ready(result), Results)


def _whole(
    trials: TrialTable, options: Options, rule: ScreeningRule | None, power_studies: int
) -> dict[str, Any]:
    """Return the blocks of everybody and, where a rule says so, those without some listeners."""
    once = Once()
    result = blocks_of(trials, options, once)
    result["power_claims"] = claims_power(
        trials,
        cells_of(trials, once),
        options.claims,
        alpha=options.alpha,
        stages=options.stages,
        primary=options.primary_metric,
        n_studies=power_studies,
        seed=options.seed,
    )
    result["screened"] = None
    if rule is not None:
        out = excluded_listeners(rule, trials, result["reliability"])
        result["screened"] = {
            "rule": rule.text,
            "excluded": out,
            "results": _without(trials, out, options, once),
        }
    return result


def _without(
    trials: TrialTable, out: list[str], options: Options, once: Once
) -> dict[str, Any] | None:
    """Return the blocks without some listeners; None when nobody is left out or nobody is left."""
    rest = trials.keeping(~trials.frame["listener"].isin(out)) if out else None
    if rest is None:
        return None
    heard = set(rest.frame["stage_a"].unique()) | set(rest.frame["stage_b"].unique())
    usable = options.reference if options.reference in heard else None
    return blocks_of(rest, replace(options, reference=usable), once)
