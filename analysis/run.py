"""The whole analysis of a trial table as one JSON-ready dictionary."""

from __future__ import annotations

import math
import platform
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np

from analysis.bounded_means import growing_panel
from analysis.choice_block import choice_block
from analysis.claim_check import check_claims, check_options, table_notes
from analysis.claim_grammar import claimed_groups, parse_claim
from analysis.claim_hearing import obvious_controls
from analysis.claim_music import music_like_this
from analysis.claims import Heard, judge_claims
from analysis.conduct_flags import flagged_listeners
from analysis.discrimination import discrimination_rows, forced_choice_cells
from analysis.errors import InputError
from analysis.grading import grading_block
from analysis.group_test import Progress
from analysis.link import Link, fit_links, link_rows
from analysis.link_programmes import ProgrammeTable, programme_link_rows
from analysis.listeners import excluded_listeners
from analysis.plan_as_run import claims_power
from analysis.planning import power_block
from analysis.predict import prediction_rows
from analysis.preference import Preference, fit_preference
from analysis.preference_block import preference_block
from analysis.preference_depth import depth_blocks
from analysis.ratings import ratings_block
from analysis.regions import region_block
from analysis.regions_dose import dose_block
from analysis.reliability import reliability_block
from analysis.screening import ScreeningRule, parse_screening
from analysis.sensitivity import sensitivity
from analysis.smallest_effect import check_smallest_effect
from analysis.stages import StageTable
from analysis.trials import TrialTable
from analysis.upgrade import upgrade_block

__all__ = ["analyse", "json_ready"]

_SOFTWARE = ("earwitness", "numpy", "scipy", "pandas", "statsmodels")


@dataclass(frozen=True, slots=True)
class _Options:
    """What an analysis was asked for; see :func:`analyse`."""

    stages: StageTable | None
    programmes: ProgrammeTable | None
    claims: tuple[str, ...]
    alpha: float
    reference: str | None
    seed: int
    mixed: bool
    primary_metric: str | None
    sealed_plan: bool
    budgets: tuple[float, ...] | None
    mid_p: bool
    smallest_effect: float | None
    screening: ScreeningRule | None
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
) -> dict[str, Any]:
    """Analyse a trial table.

    Parameters
    ----------
    trials : TrialTable
        From :func:`analysis.trials.read_trials`.
    stages : StageTable, optional
        Cost, factors and measured figures by stage.
    programmes : ProgrammeTable, optional
        What each stage does to each programme, for the link programme by programme.
    claims : sequence of str, optional
        Sentences of the grammar in :mod:`analysis.claims`.
    alpha : float, optional
        Error rate of the family of claims, in (0, 1).
    reference : str, optional
        Stage with log-worth 0; the last in sorted order when not given.
    seed : int, optional
        Seed of resampling, permutation and random starts.
    mixed : bool, optional
        Fit the models of how listeners differ (mixed preference model, groups of listeners), which
        take longest on large panels.
    screening : str, optional
        The rule by which the plan declared to leave listeners out, see
        :func:`analysis.screening.parse_screening`. The main results keep everybody; ``screened``
        holds the same blocks without them.
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
        not matter, see :mod:`analysis.smallest_effect`.
    power_studies : int, optional
        Simulated studies for ``power_claims``, what the claims as a set could have shown with
        these listeners and questions; none when 0, since they take some seconds.
    progress : callable, optional
        ``progress(done, total, what)`` while panels are simulated to test for groups of listeners.

    Returns
    -------
    dict
        ``about``, ``discrimination``, ``preference``, ``choice``, ``reliability``, ``ratings``,
        ``grading``, ``power``, ``power_claims``, ``growing_panel``, ``link``, ``predictions``,
        ``upgrade``, ``regions``, ``dose``, ``claims``, ``screened``: plain numbers, text, lists and
        dictionaries at full precision, None where a figure is undefined.

    Raises
    ------
    InputError
        A claim, the reference, alpha, the primary metric, the smallest effect, a budget or the
        screening rule cannot be used; a claim names what the data do not have; two tables spell one
        name in two ways.
    """
    if not 0 < alpha < 1:
        raise InputError(
            where="alpha", problem=f"{alpha!r} is not between 0 and 1", remedy="Write 0.05 or so"
        )
    check_options(primary_metric, budgets, stages)
    check_claims(claims, trials, stages, sealed=sealed_plan)
    notes = table_notes(trials, stages, programmes)
    smallest = None if smallest_effect is None else check_smallest_effect(smallest_effect)
    rule = None if screening is None else parse_screening(screening)
    options = _Options(
        stages=stages,
        programmes=programmes,
        claims=tuple(claims),
        alpha=alpha,
        reference=reference,
        seed=seed,
        mixed=mixed,
        primary_metric=primary_metric,
        sealed_plan=sealed_plan,
        budgets=None if budgets is None else tuple(budgets),
        mid_p=mid_p,
        smallest_effect=smallest,
        screening=rule,
        progress=progress,
    )
    result = _blocks(trials, options)
    result["about"] |= {"sealed_plan": sealed_plan, "notes": notes}
    result["power_claims"] = claims_power(
        trials,
        forced_choice_cells(trials),
        options.claims,
        alpha=alpha,
        stages=stages,
        primary=primary_metric,
        n_studies=power_studies,
        seed=seed,
    )
    result["screened"] = None
    if rule is not None:
        out = excluded_listeners(rule, trials, result["reliability"])
        result["screened"] = {
            "rule": rule.text,
            "excluded": out,
            "results": _without(trials, out, options),
        }
    ready: dict[str, Any] = json_ready(result)
    return ready


def _blocks(trials: TrialTable, options: _Options) -> dict[str, Any]:
    alpha, seed = options.alpha, options.seed
    cells = forced_choice_cells(trials)
    preference = fit_preference(trials, reference=options.reference, seed=seed)
    links = _links(preference, options)
    reliability = reliability_block(trials)
    preferred = preference_block(preference) | depth_blocks(
        trials, preference, mixed=options.mixed, seed=seed, progress=options.progress
    )
    return {
        "about": _about(trials, alpha, seed)
        | {"smallest_effect": options.smallest_effect}
        | _made(trials, options.stages),
        "discrimination": discrimination_rows(
            trials, alpha=alpha, mid_p=options.mid_p, cells=cells
        ),
        "preference": preferred,
        "choice": choice_block(cells) if options.mixed else [],
        "reliability": reliability,
        "ratings": ratings_block(trials, declared=options.post_screening),
        "grading": grading_block(trials),
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
        "claims": _claims(
            trials,
            options,
            Heard(cells, preference, obvious_controls(trials.frame), links, trials),
            reliability,
        ),
    }


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
        preference = fit_preference(part, seed=options.seed)
        links: list[Link] = []
        if "orders" in kinds:
            links = _links(preference, options)
        controls = obvious_controls(part.frame)
        found[name] = Heard(forced_choice_cells(part), preference, controls, links, part)
    return found


def _without(trials: TrialTable, out: list[str], options: _Options) -> dict[str, Any] | None:
    """Return the blocks without some listeners; None when nobody is left out or nobody is left."""
    rest = trials.keeping(~trials.frame["listener"].isin(out)) if out else None
    if rest is None:
        return None
    heard = set(rest.frame["stage_a"].unique()) | set(rest.frame["stage_b"].unique())
    usable = options.reference if options.reference in heard else None
    return _blocks(rest, replace(options, reference=usable))


def _about(trials: TrialTable, alpha: float, seed: int) -> dict[str, Any]:
    methods = trials.frame["method"].value_counts()
    return {
        "n_trials": trials.n_trials,
        "n_listeners": trials.n_listeners,
        "n_controls": int((trials.frame["control"] != "").sum()),
        "methods": {str(name): int(n) for name, n in methods.items() if n},
        "programmes": sorted(set(trials.frame["programme"].unique()) - {""}),
        "groups": trials.groups,
        "outputs": _outputs(trials),
        "simulated": trials.simulated,
        "alpha": alpha,
        "seed": seed,
        "software": {"python": platform.python_version()} | {n: _version(n) for n in _SOFTWARE},
    } | _playback(trials)


def _made(trials: TrialTable, stages: StageTable | None) -> dict[str, Any]:
    """Tell which of the stages in the trials are made: experiments, nothing to buy."""
    return {} if stages is None else {"made_stages": stages.made}


def _playback(trials: TrialTable) -> dict[str, Any]:
    """Count stuttered trials, where a player counted at all; they stay in every result."""
    if "underruns" not in trials.frame.columns:
        return {}
    counted = trials.frame["underruns"].dropna()
    return {
        "playback": {
            "n_counted": len(counted),
            "n_stuttered": int((counted > 0).sum()),
            "n_underruns": int(counted.sum()),
        }
    }


def _outputs(trials: TrialTable) -> dict[str, int]:
    """Count listeners by what they listened with, where the table says so."""
    own = trials.frame.drop_duplicates(["listener", "output"])["output"].astype(str)
    return {str(name): int(n) for name, n in own[own != ""].value_counts().sort_index().items()}


def _version(name: str) -> str | None:
    try:
        return version(name)
    except PackageNotFoundError:
        return None


def json_ready(value: Any) -> Any:
    """Return plain Python values; NaN and infinity become None."""
    if isinstance(value, dict):
        return {str(key): json_ready(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [json_ready(item) for item in value]
    if isinstance(value, np.ndarray):
        return json_ready(value.tolist())
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    return value
