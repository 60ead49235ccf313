"""Every block of the analysis of one table, in the order in which they rest on each other."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any

from analysis.about import about, made_stages
from analysis.answer.block import answer_block
from analysis.claims.grammar import claimed_groups, parse_claim
from analysis.claims.hearing import obvious_controls
from analysis.claims.judge import Heard, judge_claims
from analysis.experiments.block import region_block
from analysis.experiments.dose import dose_block
from analysis.hearing.choice_block import choice_block
from analysis.hearing.discrimination import discrimination_rows
from analysis.hearing.growing_panel import growing_panel
from analysis.hearing.pair_cells import PairCells, forced_choice_cells
from analysis.link.block import Link, fit_links, link_rows
from analysis.link.predict import prediction_rows
from analysis.link.programmes import ProgrammeTable, programme_link_rows
from analysis.listeners.conduct_flags import flagged_listeners
from analysis.listeners.reliability import reliability_block
from analysis.listeners.screening import ScreeningRule
from analysis.once import Once
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

__all__ = [
    "Options",
    "blocks_of",
    "cells_of",
]


#: Resampled panels.
_DRAWS = 10_000


@dataclass(frozen=True, slots=True)
class Options:
    """What an analysis was asked for; see :func:`analysis.run.analyse`."""

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


def _preferred(
    trials: TrialTable, options: Options
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


def cells_of(trials: TrialTable, once: Once) -> list[PairCells]:
    """Return the scored forced-choice trials by pair, counted once."""
    return once.get("cells", trials, FORCED_CHOICE, lambda: forced_choice_cells(trials))


def blocks_of(trials: TrialTable, options: Options, once: Once) -> dict[str, Any]:
    """Return every block of one table, for the options of an analysis."""
    alpha, seed, ordered = options.alpha, options.seed, "grades" not in options.without
    cells = cells_of(trials, once)
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
    trials: TrialTable, options: Options, heard: Heard, blocks: dict[str, Any]
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
    trials: TrialTable, options: Options, heard: Heard, reliability: dict[str, Any]
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


def _links(preference: Preference | None, options: Options) -> list[Link]:
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


def _groups(trials: TrialTable, options: Options) -> dict[str, Heard]:
    """Return the answers of every group of listeners that a claim names and that is there."""
    found = {}
    for name, kinds in claimed_groups(options.claims).items():
        part = trials.among(name)
        if part is None:
            continue
        links_of = partial(_links, options=options) if "orders" in kinds else None
        found[name] = Heard.of(part, links_of=links_of, n_draws=_DRAWS, seed=options.seed)
    return found
