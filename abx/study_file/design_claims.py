"""Claims that a study makes by its design, beside those that its plan writes down.

Which first step to take is asked of every study whose stages have factors or prices. The claims
are sealed with the study when it is opened; a study that was opened without them keeps its own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.claims.grammar import parse_claim

if TYPE_CHECKING:
    from abx.study.model import Study
    from analysis.answer.family import Design

__all__ = ["design_claims"]


def design_claims(study: Study) -> tuple[str, ...]:
    """Return the claims that follow from the stages and the questions of a study.

    Parameters
    ----------
    study : Study

    Returns
    -------
    tuple of str
        Where the plan claims something: which of the first steps to take, unless it asks that
        already. Where it claims nothing: all that :func:`analysis.answer.family.default_claims`
        asks. Empty where stages are no steps from one another, or nobody is asked to choose.
    """
    from analysis.answer.family import asks_already, default_claims, step_claims

    design = _design(study)
    if design.baseline is None:
        return ()
    if not study.plan.claims:
        return tuple(claim.text for claim in default_claims(design))
    declared = [parse_claim(text) for text in study.plan.claims]
    asked = step_claims(design.first_steps)
    return tuple(claim.text for claim in asked if not asks_already(declared, claim))


def _design(study: Study) -> Design:
    """Return what a study is going to ask."""
    import pandas as pd

    from analysis.answer.family import planned_design
    from analysis.tables.stages import stage_table
    from analysis.tables.trials import FORCED_CHOICE

    rows = [
        {
            "stage": stage.id,
            "made": "" if stage.made is None else stage.made.kind,
            "cost": stage.cost,
            "labour_h": stage.labour_h,
        }
        | {f"factor_{name}": value for name, value in stage.factors.items()}
        for stage in study.stages
    ]
    asked = [pair for test in study.tests if test.method in FORCED_CHOICE for pair in test.pairs]
    compared = {s for test in study.tests if test.method == "paired" for s in test.stages}
    return planned_design(
        [stage.id for stage in study.stages if stage.id in compared],
        asked,
        stage_table(pd.DataFrame(rows)),
    )
