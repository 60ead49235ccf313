"""What a plan asks of people, in sentences, before it is opened."""

from __future__ import annotations

from collections import Counter

from abx.methods import get_method
from abx.schedule import Schedule, balance, make_schedule
from abx.study import Study

__all__ = ["describe_plan", "minutes_per_listener"]

#: Welcome, cautions, setting the level.
START_SECONDS = 120.0
#: About where attention fades (link to listening-test practice: 20 to 30 minutes).
FATIGUE_MINUTES = 25.0

# A preview must not use the study's secret seed; any fixed bytes will do.
_PREVIEW_SEED = b"preview only, not the seed of any panel"


def minutes_per_listener(schedule: Schedule) -> float:
    """Return the expected length of the longest sitting in minutes."""
    longest = max(
        sum(get_method(trial.method).trial_s for trial in slot.trials)
        for slot in schedule.slots
    )
    return (START_SECONDS + longest) / 60.0


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
        the panel, and what is claimed beforehand.
    """
    schedule = make_schedule(study, _PREVIEW_SEED)
    lines = [
        f"{study.plan.listeners} listeners, {len(study.stages)} stages, "
        f"{len(study.programmes)} programmes",
        _trials_line(schedule),
        _duration_line(schedule),
        _balance_line(schedule, study),
    ]
    lines += [f"claim: {claim}" for claim in study.claims]
    return lines


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
