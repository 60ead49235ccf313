"""From trial tables to tested statements about what listeners hear and prefer.

The distribution that brings this package is called ``earwitness``; ``stimuli`` and ``abx`` belong
to it, too. What a notebook or a script needs is here. Importing it does nothing and loads nothing
else: each name brings its module on first use.

=======================================================  =========================================
:func:`read_trials`, :func:`trials_from`                 answers, from a file or a data frame
:func:`read_stages`                                      costs, factors and figures of stages
:func:`analyse`, :class:`Results`                        everything, in typed blocks and tables
:func:`judge_claims`                                     verdicts on sentences
:func:`predict_audibility`                               is a pair worth listening to?
:func:`exact_forced_choice_test`                         was one listener better than guessing?
:func:`estimate_dprime`                                  how well, on a scale that methods share
:func:`fit_preference`                                   worths from paired answers
:func:`plan_answer`, :func:`listeners_needed`            what a study could show, and its size
:class:`Sizes`                                           what a plan supposes to be true
:func:`build_report`                                     one HTML file
:class:`InputError`                                      raised for bad input
=======================================================  =========================================
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis.claims.judge import judge_claims
    from analysis.hearing.audibility import predict_audibility
    from analysis.hearing.dprime import estimate_dprime
    from analysis.hearing.exact_test import exact_forced_choice_test
    from analysis.planning.claim_plan import listeners_needed, plan_answer
    from analysis.planning.supposed import Sizes
    from analysis.preference.fit import fit_preference
    from analysis.report.build import build_report
    from analysis.results.whole import Results
    from analysis.run import analyse
    from analysis.tables.frames import trials_from
    from analysis.tables.stages import read_stages
    from analysis.tables.trials import read_trials
    from stimuli.files.errors import InputError

__all__ = [
    "InputError",
    "Results",
    "Sizes",
    "analyse",
    "build_report",
    "estimate_dprime",
    "exact_forced_choice_test",
    "fit_preference",
    "judge_claims",
    "listeners_needed",
    "plan_answer",
    "predict_audibility",
    "read_stages",
    "read_trials",
    "trials_from",
]

_HOMES = {
    "InputError": "stimuli.files.errors",
    "Results": "analysis.results.whole",
    "Sizes": "analysis.planning.supposed",
    "analyse": "analysis.run",
    "build_report": "analysis.report.build",
    "estimate_dprime": "analysis.hearing.dprime",
    "exact_forced_choice_test": "analysis.hearing.exact_test",
    "fit_preference": "analysis.preference.fit",
    "judge_claims": "analysis.claims.judge",
    "listeners_needed": "analysis.planning.claim_plan",
    "plan_answer": "analysis.planning.claim_plan",
    "predict_audibility": "analysis.hearing.audibility",
    "read_stages": "analysis.tables.stages",
    "read_trials": "analysis.tables.trials",
    "trials_from": "analysis.tables.frames",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
