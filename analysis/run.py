"""The whole analysis of a trial table as one JSON-ready dictionary."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from threadpoolctl import threadpool_limits

from analysis.about import about, json_ready, made_stages
from analysis.answer.block import answer_block
from analysis.claims.check import check_claims, check_options, table_notes
from analysis.claims.grammar import claimed_groups, parse_claim
from analysis.claims.hearing import obvious_controls
from analysis.claims.judge import Heard, judge_claims
from analysis.experiments.block import region_block
from analysis.experiments.dose import dose_block
from analysis.hearing.choice_block import choice_block
from analysis.hearing.discrimination import PairCells, discrimination_rows, forced_choice_cells
from analysis.hearing.growing_panel import growing_panel
from analysis.link.block import Link, fit_links, link_rows
from analysis.link.predict import prediction_rows
from analysis.link.programmes import ProgrammeTable, programme_link_rows
from analysis.listeners.conduct_flags import flagged_listeners
from analysis.listeners.reliability import reliability_block
from analysis.listeners.screening import ScreeningRule, parse_screening
from analysis.listeners.steadiness import excluded_listeners
from analysis.long_blocks import long_blocks, parse_without
from analysis.once import Once
from analysis.panels.smallest_effect import check_smallest_effect
from analysis.planning.as_run import claims_power
from analysis.planning.curves import power_block
from analysis.preference.block import preference_block
from analysis.preference.depth import depth_blocks
from analysis.preference.fit import Preference, fit_preference
from analysis.preference.group_test import Progress
from analysis.ratings.block import ratings_block
from analysis.ratings.grading import grading_block
from analysis.robustness.music import music_like_this
from analysis.robustness.sensitivity import sensitivity
from analysis.tables.stages import StageTable
from analysis.tables.trials import FORCED_CHOICE, TrialTable
from analysis.upgrade.block import upgrade_block
from stimuli.files.errors import InputError

__all__ = ["analyse"]

#: Resampled panels.
_DRAWS = 10_000


@dataclass(frozen=True, slots=True)
class _Options:
    """What an analysis was asked for; see :func:`analyse`."""

    stages: StageTable | None
    programmes: ProgrammeTable | None
    claims: tuple[str, ...]
    alpha: float
    reference: str | None
    seed: int
    primary_metric: str | None
    sealed_plan: bool
    notes: tuple[str, ...]
    budgets: tuple[float, ...] | None
    mid_p: bool
    smallest_effect: float | None
    screening: ScreeningRule | None
    without: frozenset[str]
    progress: Progress | None

    @property
    def post_screening(self) -> bool:
        """Whether the plan declared the screening of ratings."""
        return self.screening is not None and self.screening.kind == "bs1534"


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
) -> dict[str, Any]:
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
    dict
        ``about``, ``long_blocks``, ``discrimination``, ``preference``, ``choice``,
        ``reliability``, ``ratings``, ``grading``, ``power``, ``power_claims``, ``growing_panel``,
        ``link``, ``predictions``, ``upgrade``, ``regions``, ``dose``, ``claims``, ``answer``,
        ``screened``: plain numbers, text, lists and dictionaries at full precision, None where a
        figure is undefined.

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
    >>> results["preference"]["pairs"][0]["wins"], results["claims"][0]["verdict"]
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
    options = _Options(
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
    ready: dict[str, Any] = json_ready(result)
    return ready


def _whole(
    trials: TrialTable, options: _Options, rule: ScreeningRule | None, power_studies: int
) -> dict[str, Any]:
    """Return the blocks of everybody and, where a rule says so, those without some listeners."""
    once = Once()
    result = _blocks(trials, options, once)
    result["power_claims"] = claims_power(
        trials,
        _cells(trials, once),
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


def _preferred(
    trials: TrialTable, options: _Options
) -> tuple[Preference | None, list[Link], dict[str, Any]]:
    """Return the fitted paired trials, their links to measured figures, and their block."""
    without, seed = options.without, options.seed
    preference = fit_preference(
        trials,
        reference=options.reference,
        seed=seed,
        n_draws=0 if "resampling" in without else _DRAWS,
    )
    links = _links(preference, options)
    block = preference_block(preference) | depth_blocks(
        trials, preference, seed=seed, without=without, progress=options.progress
    )
    return preference, links, block


def _cells(trials: TrialTable, once: Once) -> list[PairCells]:
    return once.get("cells", trials, FORCED_CHOICE, lambda: forced_choice_cells(trials))


def _blocks(trials: TrialTable, options: _Options, once: Once) -> dict[str, Any]:
    alpha, seed, ordered = options.alpha, options.seed, "grades" not in options.without
    cells = _cells(trials, once)
    preference, links, preferred = once.get(
        "preference",
        trials,
        ["paired"],
        lambda: _preferred(trials, options),
        reference=options.reference,
    )
    reliability = reliability_block(trials)
    heard = Heard(cells, preference, obvious_controls(trials.frame), links, trials)
    blocks = {
        "about": about(trials, alpha, seed)
        | {"smallest_effect": options.smallest_effect}
        | {"sealed_plan": options.sealed_plan, "notes": list(options.notes)}
        | made_stages(trials, options.stages),
        "discrimination": once.get(
            "discrimination",
            trials,
            FORCED_CHOICE,
            lambda: discrimination_rows(trials, alpha=alpha, mid_p=options.mid_p, cells=cells),
        ),
        "preference": preferred,
        "choice": []
        if "tastes" in options.without
        else once.get("choice", trials, FORCED_CHOICE, lambda: choice_block(cells)),
        "reliability": reliability,
        "ratings": once.get(
            "ratings",
            trials,
            ["rating"],
            lambda: ratings_block(trials, declared=options.post_screening, ordered=ordered),
        ),
        "grading": once.get(
            "grading", trials, ["grading"], lambda: grading_block(trials, ordered=ordered)
        ),
        "power": power_block(
            cells,
            preference,
            alpha=alpha,
            margins=_margins(options.claims),
            n_claims=len(options.claims),
        ),
        "growing_panel": growing_panel(trials, cells),
        "link": link_rows(links, alpha=alpha),
        "link_programmes": programme_link_rows(trials, options.programmes, options.stages),
        "predictions": prediction_rows(links, options.stages, alpha=alpha, seed=seed),
        "upgrade": upgrade_block(
            preference,
            options.stages,
            classes=preferred["classes"],
            budgets=options.budgets,
            seed=seed,
        ),
        "regions": region_block(preference, options.stages),
        "dose": dose_block(preference, cells, options.stages, alpha=alpha, seed=seed),
        "claims": _claims(trials, options, heard, reliability),
    }
    return blocks | {"answer": _answer(trials, options, heard, blocks)}


def _answer(
    trials: TrialTable, options: _Options, heard: Heard, blocks: dict[str, Any]
) -> dict[str, Any]:
    """Choose what a first screen may say, by the verdicts of the claims."""
    return answer_block(
        blocks["claims"],
        heard,
        stages=options.stages,
        alpha=options.alpha,
        smallest_effect=options.smallest_effect,
        simulated=trials.simulated,
        upgrade=blocks["upgrade"],
        preference=blocks["preference"],
        discrimination=blocks["discrimination"],
    )


def _claims(
    trials: TrialTable, options: _Options, heard: Heard, reliability: dict[str, Any]
) -> list[dict[str, Any]]:
    """Judge the claims, for these pieces and for music like them, and say what turns them."""
    groups = _groups(trials, options)
    rows = judge_claims(
        options.claims,
        heard,
        groups=groups,
        stages=options.stages,
        alpha=options.alpha,
        smallest_effect=options.smallest_effect,
        simulated=trials.simulated,
    )
    wider = music_like_this(rows, heard, groups=groups, stages=options.stages)
    turning = sensitivity(
        rows,
        heard,
        groups=groups,
        stages=options.stages,
        alpha=options.alpha,
        flagged=flagged_listeners(trials, reliability, options.screening),
        links_of=partial(_links, options=options),
    )
    return [
        row | {"music_like_this": second, "sensitivity": other}
        for row, second, other in zip(rows, wider, turning, strict=True)
    ]


def _links(preference: Preference | None, options: _Options) -> list[Link]:
    """Hold every metric against the worths, by what a sealed plan names, if there is one."""
    named = options.primary_metric
    if not options.sealed_plan:
        return fit_links(preference, options.stages, named=named, seed=options.seed)
    claimed = [
        claim.names[0] for claim in map(parse_claim, options.claims) if claim.kind == "orders"
    ]
    return fit_links(preference, options.stages, primary=named, declared=claimed, seed=options.seed)


def _margins(claims: tuple[str, ...]) -> list[float]:
    """Return the margins that claims of not hearing declare."""
    return [claim.margin for claim in map(parse_claim, claims) if claim.margin is not None]


def _groups(trials: TrialTable, options: _Options) -> dict[str, Heard]:
    """Return the answers of every group of listeners that a claim names and that is there."""
    found = {}
    for name, kinds in claimed_groups(options.claims).items():
        part = trials.among(name)
        if part is None:
            continue
        links_of = partial(_links, options=options) if "orders" in kinds else None
        found[name] = Heard.of(part, links_of=links_of, n_draws=_DRAWS, seed=options.seed)
    return found


def _without(
    trials: TrialTable, out: list[str], options: _Options, once: Once
) -> dict[str, Any] | None:
    """Return the blocks without some listeners; None when nobody is left out or nobody is left."""
    rest = trials.keeping(~trials.frame["listener"].isin(out)) if out else None
    if rest is None:
        return None
    heard = set(rest.frame["stage_a"].unique()) | set(rest.frame["stage_b"].unique())
    usable = options.reference if options.reference in heard else None
    return _blocks(rest, replace(options, reference=usable), once)
