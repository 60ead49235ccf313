"""What a study as it was run could have noticed: its own claims, people and questions, tried again.

Who was asked what is taken from the answers themselves, visits of different lengths included, and
so is how much listeners differ in their right answers. Whether something was found plays no part.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from analysis.claims.grammar import parse_claim
from analysis.hearing.pair_cells import PairCells
from analysis.panels.overdispersion import beta_binomial
from analysis.planning.families import Chance, Family
from analysis.planning.findings import Findings, PlanQuestion, explore
from analysis.planning.simulated_panel import StudyTemplate
from analysis.planning.supposed import Sizes
from analysis.tables.stages import StageTable
from analysis.tables.trials import TrialTable

__all__ = ["claims_power"]

#: Listeners below which their spread cannot be told.
_FEWEST = 6


def claims_power(
    trials: TrialTable,
    cells: Sequence[PairCells],
    claims: Sequence[str],
    *,
    alpha: float = 0.05,
    stages: StageTable | None = None,
    primary: str | None = None,
    n_studies: int = 200,
    seed: int = 1,
    processes: int | None = None,
) -> dict[str, Any] | None:
    """Return how likely the study as run supports its claims, if they are true.

    Parameters
    ----------
    trials : TrialTable
    cells : sequence of PairCells
        Its forced-choice answers.
    claims : sequence of str
        The family.
    alpha : float, optional
    stages : StageTable, optional
    primary : str, optional
        As for :func:`analysis.run.analyse`.
    n_studies : int, optional
    seed : int, optional
    processes : int, optional
        As for :func:`analysis.models.cells.map_cells`.

    Returns
    -------
    dict or None
        None without claims, simulated studies, or trials that claims rest on. Else ``method``,
        ``n_studies``, ``n_listeners``, ``n_trials``, ``alpha``, what was supposed (``share``,
        ``share_right``, ``sd_right``, ``sd_taste``, ``correlation``, ``ties``), ``claims`` (each
        with ``claim``, ``alone``, ``together``, their ``_error``, and ``impossible``), ``all`` and
        ``any`` with theirs, and ``conflicts``.
    """
    if not claims or n_studies < 1:
        return None
    template = StudyTemplate.of(trials)
    if not (cells or template.compared):
        return None
    sizes = Sizes(spread_right=_spread(cells), ties=_ties(trials))
    named = {claim.names[0] for claim in map(parse_claim, claims) if claim.kind == "orders"}
    family = Family(tuple(claims), alpha, _with_metrics(stages, named, primary), primary)
    panel = template.panel()
    question = PlanQuestion(
        family, sizes, len(panel.listeners), lambda _n: panel, groups=template.groups
    )
    *_, found = explore(
        question, n_studies=n_studies, seed=seed, sizes=False, panels=False, processes=processes
    )
    return _block(found, trials, alpha)


def _block(found: Findings, trials: TrialTable, alpha: float) -> dict[str, Any]:
    sizes = found.world.sizes
    rows = [
        {
            "claim": text,
            **_chance("alone", found.alone(k)),
            **_chance("together", found.together(k)),
            "impossible": found.impossible.get(k),
        }
        for k, text in enumerate(found.question.family.claims)
    ]
    return {
        "method": "simulated studies through the tests of the claims, adjusted as a family",
        "n_studies": found.tally.n_studies,
        "n_listeners": trials.n_listeners,
        "n_trials": trials.n_trials,
        "alpha": alpha,
        "share": sizes.share,
        "share_right": sizes.heard,
        "sd_right": sizes.spread_right,
        "sd_taste": sizes.spread_taste,
        "correlation": sizes.correlation,
        "ties": sizes.ties,
        "claims": rows,
        **_chance("all", found.every),
        **_chance("any", found.some),
        "conflicts": [
            {"claim": conflict.claim, "against": list(conflict.against)}
            for conflict in found.world.conflicts
        ],
    }


def _chance(name: str, chance: Chance) -> dict[str, float]:
    return {name: chance.share, f"{name}_error": chance.error}


def _spread(cells: Sequence[PairCells]) -> float:
    """Return the SD of P(correct) over listeners, the median over pairs, or what plans suppose."""
    found = []
    for group in cells:
        correct, trials = group.counts
        if (trials > 0).sum() >= _FEWEST:
            found.append(beta_binomial(correct, trials).sd)
    return float(np.median(found)) if found else Sizes().spread_right


def _ties(trials: TrialTable) -> float:
    answers = trials.of("paired")["answer"]
    share = float((answers == "tie").mean()) if len(answers) else 0.0
    # Between unequal stages ties are rarer; the observed share is the least that equals give.
    return min(share, 0.9)


def _with_metrics(
    stages: StageTable | None, named: set[str], primary: str | None
) -> StageTable | None:
    """Return the stage table without the metrics that no claim is about, which only cost time."""
    if stages is None:
        return None
    kept = {*named, *({primary} - {None})}
    drop = [
        column
        for metric in stages.metrics
        if metric not in kept
        for column in (f"metric_{metric}", f"metric_{metric}_repeat_sd")
        if column in stages.frame
    ]
    return StageTable(stages.frame.drop(columns=drop), stages.source)
