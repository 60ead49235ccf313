"""Measured stages become level-matched stimuli: responses, filters, rendering, checks.

The distribution that brings this package is called ``earwitness``; ``analysis`` and ``abx`` belong
to it, too. What a notebook or a script needs is here. Importing it does nothing and loads nothing
else: each name brings its module on first use.

=======================================================  =========================================
:func:`read_response`, :func:`read_stage`                measured tables, one position or several
:func:`read_target`, :func:`built_in_target`             what a stage is compared with
:func:`compare_with_target`, :func:`stage_metrics`       how far it is off, in bands and in figures
:func:`design_stage_filter`                              the filter that sounds like a stage
:class:`StageSpec`, :class:`ProgrammeSpec`               what goes into a stimulus set
:func:`render_set`, :func:`verify_set`                   make a set, and measure it back
:func:`integrated_loudness`, :func:`true_peak_dbtp`      level of a signal
:class:`InputError`                                      raised for bad input
=======================================================  =========================================
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stimuli.figures.deviation import compare_with_target
    from stimuli.figures.metrics import stage_metrics
    from stimuli.files.errors import InputError
    from stimuli.filters.design import design_stage_filter
    from stimuli.filters.stages import StageSpec
    from stimuli.levels.loudness import integrated_loudness
    from stimuli.levels.true_peak import true_peak_dbtp
    from stimuli.programme.reading import ProgrammeSpec
    from stimuli.render.check import verify_set
    from stimuli.render.sets import render_set
    from stimuli.response.measured import read_response, read_stage
    from stimuli.response.target import built_in_target, read_target

__all__ = [
    "InputError",
    "ProgrammeSpec",
    "StageSpec",
    "built_in_target",
    "compare_with_target",
    "design_stage_filter",
    "integrated_loudness",
    "read_response",
    "read_stage",
    "read_target",
    "render_set",
    "stage_metrics",
    "true_peak_dbtp",
    "verify_set",
]

_HOMES = {
    "InputError": "stimuli.files.errors",
    "ProgrammeSpec": "stimuli.programme.reading",
    "StageSpec": "stimuli.filters.stages",
    "built_in_target": "stimuli.response.target",
    "compare_with_target": "stimuli.figures.deviation",
    "design_stage_filter": "stimuli.filters.design",
    "integrated_loudness": "stimuli.levels.loudness",
    "read_response": "stimuli.response.measured",
    "read_stage": "stimuli.response.measured",
    "read_target": "stimuli.response.target",
    "render_set": "stimuli.render.sets",
    "stage_metrics": "stimuli.figures.metrics",
    "true_peak_dbtp": "stimuli.levels.true_peak",
    "verify_set": "stimuli.render.check",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
