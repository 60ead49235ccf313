"""The whole analysis of a trial table as one JSON-ready dictionary."""

from __future__ import annotations

import math
import platform
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import PackageNotFoundError, version
from typing import Any, TypeVar

import numpy as np
from threadpoolctl import threadpool_limits

from analysis.bounded_means import growing_panel
from analysis.choice_block import choice_block
from analysis.claim_grammar import claimed_groups, parse_claim
from analysis.claim_hearing import obvious_controls
from analysis.claims import Heard, judge_claims
from analysis.discrimination import discrimination_rows, forced_choice_cells
from analysis.errors import InputError
from analysis.grading import grading_block
from analysis.link import Link, fit_links, link_rows
from analysis.link_programmes import ProgrammeTable, programme_link_rows
from analysis.listeners import excluded_listeners
from analysis.long_blocks import long_blocks, parse_without
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
from analysis.stages import StageTable
from analysis.trials import FORCED_CHOICE, TrialTable
from analysis.upgrade import upgrade_block

__all__ = ["analyse", "json_ready"]

_T = TypeVar("_T")
#: Resampled panels.
_DRAWS = 10_000
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
    primary_metric: str | None
    budgets: tuple[float, ...] | None
    mid_p: bool
    post_screening: bool
    without: frozenset[str]


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
    budgets: Sequence[float] | None = None,
    mid_p: bool = False,
    without: Iterable[str] = (),
    tell: Callable[[str], None] | None = None,
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
        False leaves out the models of how listeners differ, as ``without=("groups", "tastes")``.
    screening : str, optional
        The rule by which the plan declared to leave listeners out, see
        :func:`analysis.screening.parse_screening`. The main results keep everybody; ``screened``
        holds the same blocks without them.
    primary_metric : str, optional
        The measured figure that the plan names for the link; the SD of the deviation when not
        given.
    budgets : sequence of float, optional
        Amounts to spend, answered in ``upgrade.budget``; every amount at which the choice widens
        when not given.
    mid_p : bool, optional
        Adjust each listener's mid-p value for the number of listeners and pairs instead of the
        exact p-value; both stand in the result anyway. Verdicts on claims do not change: they rest
        on the test between listeners.
    without : iterable of str, optional
        Blocks to leave out, by the words of :data:`analysis.long_blocks.OPTIONAL`.
    tell : callable, optional
        Is told in a sentence, before the work begins, which block will take long and how to leave
        it out.

    Returns
    -------
    dict
        ``about``, ``long_blocks``, ``discrimination``, ``preference``, ``choice``,
        ``reliability``, ``ratings``, ``grading``, ``power``, ``growing_panel``, ``link``,
        ``predictions``, ``upgrade``, ``regions``, ``dose``, ``claims``, ``screened``: plain
        numbers, text, lists and dictionaries at full precision, None where a figure is undefined.

    Raises
    ------
    InputError
        A claim, the reference, alpha, the primary metric, the screening rule or a block to leave
        out cannot be used.
    """
    if not 0 < alpha < 1:
        raise InputError(
            where="alpha", problem=f"{alpha!r} is not between 0 and 1", remedy="Write 0.05 or so"
        )
    for k, text in enumerate(claims, start=1):
        parse_claim(text, where=f"claim {k}")
    rule = None if screening is None else parse_screening(screening)
    options = _Options(
        stages=stages,
        programmes=programmes,
        claims=tuple(claims),
        alpha=alpha,
        reference=reference,
        seed=seed,
        primary_metric=primary_metric,
        budgets=None if budgets is None else tuple(budgets),
        mid_p=mid_p,
        post_screening=rule is not None and rule.kind == "bs1534",
        without=parse_without(without) | (frozenset() if mixed else {"groups", "tastes"}),
    )
    waits = long_blocks(trials, options.without)
    if tell is not None:
        for row in waits:
            tell(row["sentence"])
    # The matrices are small: threads that wait for each other cost more than they save, and many
    # times as much on a machine that is busy otherwise.
    with threadpool_limits(limits=1, user_api="blas"):
        result = _whole(trials, options, rule)
    result["long_blocks"] = waits
    ready: dict[str, Any] = json_ready(result)
    return ready


def _whole(trials: TrialTable, options: _Options, rule: ScreeningRule | None) -> dict[str, Any]:
    """Return the blocks of everybody and, where a rule says so, those without some listeners."""
    once = _Once()
    result = _blocks(trials, options, once)
    result["screened"] = None
    if rule is not None:
        out = excluded_listeners(rule, trials, result["reliability"])
        result["screened"] = {
            "rule": rule.text,
            "excluded": out,
            "results": _without(trials, out, options, once),
        }
    return result


class _Once:
    """Pieces that were worked out already.

    The screened table holds some listeners' trials of the whole one: with as many trials of a kind
    it holds the same ones, and what rests on them alone need not be worked out again.
    """

    def __init__(self) -> None:
        self._known: dict[tuple[str, int, str | None], Any] = {}

    def get(
        self,
        name: str,
        trials: TrialTable,
        methods: Sequence[str],
        make: Callable[[], _T],
        *,
        reference: str | None = None,
    ) -> _T:
        """Return what `make` returns, once for the same trials of some methods."""
        rows = int(trials.frame["method"].isin(methods).sum())
        key = (name, rows, reference)
        if key not in self._known:
            self._known[key] = make()
        found: _T = self._known[key]
        return found


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
    links = fit_links(preference, options.stages, primary=options.primary_metric, seed=seed)
    block = preference_block(preference) | depth_blocks(
        trials, preference, seed=seed, without=without
    )
    return preference, links, block


def _blocks(trials: TrialTable, options: _Options, once: _Once) -> dict[str, Any]:
    alpha, seed, ordered = options.alpha, options.seed, "grades" not in options.without
    cells = once.get("cells", trials, FORCED_CHOICE, lambda: forced_choice_cells(trials))
    preference, links, preferred = once.get(
        "preference",
        trials,
        ["paired"],
        lambda: _preferred(trials, options),
        reference=options.reference,
    )
    return {
        "about": _about(trials, alpha, seed),
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
        "reliability": reliability_block(trials),
        "ratings": once.get(
            "ratings",
            trials,
            ["rating"],
            lambda: ratings_block(trials, declared=options.post_screening, ordered=ordered),
        ),
        "grading": once.get(
            "grading", trials, ["grading"], lambda: grading_block(trials, ordered=ordered)
        ),
        "power": power_block(cells, preference, alpha=alpha, margins=_margins(options.claims)),
        "growing_panel": growing_panel(trials, cells),
        "link": link_rows(links, alpha=alpha),
        "link_programmes": programme_link_rows(trials, options.programmes),
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
        "claims": judge_claims(
            options.claims,
            Heard(cells, preference, obvious_controls(trials.frame), links, trials),
            groups=_groups(trials, options),
            stages=options.stages,
            alpha=alpha,
            simulated=trials.simulated,
        ),
    }


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
            links = fit_links(
                preference, options.stages, primary=options.primary_metric, seed=options.seed
            )
        controls = obvious_controls(part.frame)
        found[name] = Heard(forced_choice_cells(part), preference, controls, links, part)
    return found


def _without(
    trials: TrialTable, out: list[str], options: _Options, once: _Once
) -> dict[str, Any] | None:
    """Return the blocks without some listeners; None when nobody is left out or nobody is left."""
    rest = trials.keeping(~trials.frame["listener"].isin(out)) if out else None
    if rest is None:
        return None
    heard = set(rest.frame["stage_a"].unique()) | set(rest.frame["stage_b"].unique())
    usable = options.reference if options.reference in heard else None
    return _blocks(rest, replace(options, reference=usable), once)


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
