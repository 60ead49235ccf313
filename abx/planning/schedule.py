"""What a plan asks of people, in sentences, before it is opened."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from abx.errors import InputError
from abx.methods import get_method
from abx.planning.prices import price_lines
from abx.schedule.panel import Schedule, Slot, balance, make_schedule, make_slot
from abx.schedule.planned_trials import PREVIEW_SEED
from abx.schedule.visits import VISITS, visit_minutes
from abx.sound.stimuli import load_manifest
from abx.study.exposure import exposure_lines, level_source, louder_than_level_step
from abx.study.model import Study
from abx.study_file.design_claims import design_claims
from abx.study_file.reading import load_study
from analysis.panels.smallest_effect import split

if TYPE_CHECKING:
    from abx.study.workspace import Workspace

__all__ = [
    "describe_plan",
    "ear_lines",
    "look_lines",
    "minutes_per_listener",
    "sitting_seconds",
]

#: Welcome, cautions, setting the level.
START_SECONDS = 120.0
#: About where attention fades (link to listening-test practice: 20 to 30 minutes).
FATIGUE_MINUTES = 25.0


def minutes_per_listener(schedule: Schedule) -> float:
    """Return the expected length of the longest sitting in minutes."""
    longest = max(sitting_seconds(slot) for slot in schedule.slots)
    return (START_SECONDS + longest) / 60.0


def sitting_seconds(slot: Slot) -> float:
    """Return the expected time of a listener's trials in seconds."""
    return sum(get_method(trial.method).trial_s for trial in slot.trials)


def ear_lines(workspace: Workspace) -> list[str]:
    """Say what a sitting means for the ears, the rendered programmes' levels included."""
    study = load_study(workspace)
    manifest = load_manifest(workspace)
    louder_db = louder_than_level_step(manifest, *level_source(study, manifest))
    minutes = minutes_per_listener(make_schedule(study, PREVIEW_SEED, len(study.tests)))
    return exposure_lines(study, minutes, louder_db=louder_db)


def describe_plan(study: Study) -> list[str]:
    """Describe the plan of a study in lines of text.

    Parameters
    ----------
    study : Study
        The checked study file.

    Returns
    -------
    list of str
        Trials of each listener, duration with a warning above 25 minutes, balance of
        the panel, exposure, what is claimed beforehand, and what unknown prices leave open.
    """
    schedule = make_schedule(study, PREVIEW_SEED)
    lines = [
        f"{study.plan.listeners} listeners, {len(study.stages)} stages, "
        f"{len(study.programmes)} programmes",
        _trials_line(schedule),
        _duration_line(schedule),
        _balance_line(schedule, study),
        _counter_line(study),
        *exposure_lines(study, minutes_per_listener(schedule)),
    ]
    if study.plan.smallest_effect is not None:
        lines.append(f"smallest effect that matters: {split(study.plan.smallest_effect / 100)}")
    lines += [f"claim: {claim}" for claim in study.claims]
    lines += [f"claim, by the design of the study: {claim}" for claim in design_claims(study)]
    return lines + price_lines(study)


def _trials_line(schedule: Schedule) -> str:
    slot = schedule.slots[0]
    counted = Counter(t.method for t in slot.trials if t.phase == "test" and not t.control)
    controls = sum(1 for t in slot.trials if t.phase == "test" and t.control)
    practice = sum(1 for t in slot.trials if t.phase == "practice")
    parts = [f"{n} {method}" for method, n in sorted(counted.items())]
    parts += [f"{controls} controls"] if controls else []
    parts += [f"{practice} for practice"] if practice else []
    return "each listener: " + ", ".join(parts)


def _duration_line(schedule: Schedule) -> str:
    minutes = minutes_per_listener(schedule)
    line = f"about {minutes:.0f} min a listener"
    if minutes > FATIGUE_MINUTES:
        return f"{line}, with breaks; attention fades after about {FATIGUE_MINUTES:.0f} min"
    return line


def _counter_line(study: Study) -> str:
    slots = [make_slot(study, PREVIEW_SEED, VISITS + place) for place in range(len(study.tests))]
    questions = sorted({slot.n_test_trials for slot in slots})
    asked = " or ".join(str(number) for number in questions)
    minutes = max(visit_minutes(slot.trials) for slot in slots)
    return f"a visit at the counter: {asked} questions, about {minutes:.0f} min"


def _balance_line(schedule: Schedule, study: Study) -> str:
    pairs = balance(schedule, study)
    if not pairs:
        return "no pairs to balance"
    worst = max(abs(pair.first - pair.second) for pair in pairs)
    fewest = min(pair.first + pair.second for pair in pairs)
    return (
        f"each pair at least {fewest} times over the panel; "
        f"the two orders of a pair differ by {worst} at most"
    )


def look_lines(study: Study, looks: int) -> list[str]:
    """Say at which p-values a study run elsewhere, looked at this often, may stop early.

    Raises
    ------
    InputError
        If the looks are more than the listeners allow.
    """
    from analysis.planning.curves import look_sentence

    try:
        return [look_sentence(study.plan.listeners, looks, alpha=study.plan.alpha)]
    except ValueError:
        raise InputError(
            where="--looks",
            problem=f"{looks} looks are more than {study.plan.listeners} listeners allow",
            remedy="take two looks or more, each after two further listeners at least",
        ) from None
