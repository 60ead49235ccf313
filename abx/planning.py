"""What a plan asks of people, in sentences, before it is opened."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from abx.errors import InputError
from abx.exposure import exposure_lines, level_source
from abx.methods import get_method
from abx.schedule import Schedule, Slot, balance, make_schedule, make_slot
from abx.study import Study
from abx.visits import VISITS, visit_minutes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from abx.workspace import Workspace

__all__ = [
    "DEFAULT_SHARE",
    "describe_plan",
    "draw_power",
    "ear_lines",
    "minutes_per_listener",
    "power_lines",
    "sitting_seconds",
]

Progress = Callable[[int, int, str], None]

#: A difference worth finding, where the owner names none: 7 in 10.
DEFAULT_SHARE = 0.7
_CHART_LISTENERS = (4, 6, 8, 12, 16, 24, 32, 48)
_CHART_TRIALS = (1, 2, 4, 8, 16)
_CHART_STYLES = ("o-", "s--", "^-.", "D:", "v-")

#: Welcome, cautions, setting the level.
START_SECONDS = 120.0
#: About where attention fades (link to listening-test practice: 20 to 30 minutes).
FATIGUE_MINUTES = 25.0

# A preview must not use the study's secret seed; any fixed bytes will do.
_PREVIEW_SEED = b"preview only, not the seed of any panel"


def minutes_per_listener(schedule: Schedule) -> float:
    """Return the expected length of the longest sitting in minutes."""
    longest = max(sitting_seconds(slot) for slot in schedule.slots)
    return (START_SECONDS + longest) / 60.0


def sitting_seconds(slot: Slot) -> float:
    """Return the expected time of a listener's trials in seconds."""
    return sum(get_method(trial.method).trial_s for trial in slot.trials)


def ear_lines(workspace: Workspace) -> list[str]:
    """Say what a sitting means for the ears, the rendered programmes' levels included."""
    from abx.exposure import louder_than_level_step
    from abx.steps import load_manifest, load_study

    study = load_study(workspace)
    manifest = load_manifest(workspace)
    louder_db = louder_than_level_step(manifest, *level_source(study, manifest))
    minutes = minutes_per_listener(make_schedule(study, _PREVIEW_SEED, len(study.tests)))
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
        the panel, exposure, and what is claimed beforehand.
    """
    schedule = make_schedule(study, _PREVIEW_SEED)
    lines = [
        f"{study.plan.listeners} listeners, {len(study.stages)} stages, "
        f"{len(study.programmes)} programmes",
        _trials_line(schedule),
        _duration_line(schedule),
        _balance_line(schedule, study),
        _counter_line(study),
        *exposure_lines(study, minutes_per_listener(schedule)),
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


def _counter_line(study: Study) -> str:
    slots = [make_slot(study, _PREVIEW_SEED, VISITS + place) for place in range(len(study.tests))]
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


def _questions(study: Study) -> dict[str, int]:
    """Return each method with right answers or choices, and trials of one pair and listener."""
    from analysis.trials import FORCED_CHOICE

    known = (*FORCED_CHOICE, "paired")
    return {test.method: test.trials for test in study.tests if test.method in known}


def _check_share(share: float, methods: Iterable[str]) -> None:
    from analysis.planning import guessing_share

    for method in methods:
        guessing = guessing_share(method)
        if share <= guessing:
            raise InputError(
                where="--share",
                problem=f"{share:g} is no better than guessing in {method}",
                remedy=f"reckon with a share above {guessing:.2f}",
            )


def power_lines(
    study: Study, *, share: float = DEFAULT_SHARE, looks: int | None = None
) -> list[str]:
    """Say what the planned panel can find out, in sentences.

    Parameters
    ----------
    study : Study
        The checked study file.
    share : float, optional
        True share of right answers, or of choices of the better stage, to reckon with.
    looks : int, optional
        Looks at the totals that a study run elsewhere takes, the last one included.

    Returns
    -------
    list of str
        For each method the chance to show such a difference, and how many listeners give
        an 80 % chance; the same for every claim that a difference is not heard; and where asked
        for, the p-values at which an early look may stop. See :mod:`analysis.planning`.

    Raises
    ------
    InputError
        If the share is no better than guessing, or the looks are more than listeners allow.
    """
    from analysis.planning import listeners_needed, plan_answer

    lines = []
    _check_share(share, _questions(study))
    for method, trials in _questions(study).items():
        answer = plan_answer(
            method=method,
            share=share,
            n_listeners=study.plan.listeners,
            n_trials=trials,
            alpha=study.plan.alpha,
        )
        needed = listeners_needed(
            method=method, share=share, n_trials=trials, alpha=study.plan.alpha
        )
        rest = f"{needed} listeners give 80 %" if needed else "200 listeners do not give 80 %"
        lines.append(f"{answer.sentence} {rest}.")
    return lines + _similar_lines(study) + _look_lines(study, looks)


def _similar_lines(study: Study) -> list[str]:
    """Say what the plan can find where a claim is that a difference is not heard."""
    from analysis.claim_grammar import parse_claim
    from analysis.planning import similar_sentence
    from analysis.trials import FORCED_CHOICE

    margins = {claim.margin for claim in map(parse_claim, study.claims)} - {None}
    return [
        similar_sentence(
            method=method,
            margin=margin,
            n_listeners=study.plan.listeners,
            n_trials=trials,
            alpha=study.plan.alpha,
        )
        for margin in sorted(margin for margin in margins if margin is not None)
        for method, trials in _questions(study).items()
        if method in FORCED_CHOICE
    ]


def _look_lines(study: Study, looks: int | None) -> list[str]:
    from analysis.planning import look_sentence

    if looks is None:
        return []
    try:
        return [look_sentence(study.plan.listeners, looks, alpha=study.plan.alpha)]
    except ValueError:
        raise InputError(
            where="--looks",
            problem=f"{looks} looks are more than {study.plan.listeners} listeners allow",
            remedy="take two looks or more, each after two further listeners at least",
        ) from None


def draw_power(
    study: Study, path: Path, *, share: float = DEFAULT_SHARE, progress: Progress | None = None
) -> None:
    """Draw listeners and trials against the chance to notice a difference.

    Parameters
    ----------
    study : Study
        The checked study file.
    path : Path
        Picture to write; the ending decides the format.
    share : float, optional
        As for :func:`power_lines`.
    progress : callable, optional
        ``progress(done, total, what)``.
    """
    from matplotlib.figure import Figure

    questions = _questions(study)
    figure = Figure(figsize=(6.4 * max(len(questions), 1), 4.8), layout="constrained")
    total = len(questions) * len(_CHART_TRIALS)
    for column, (method, planned) in enumerate(questions.items()):
        axes = figure.add_subplot(1, len(questions), column + 1)
        for row, trials in enumerate(_CHART_TRIALS):
            if progress:
                progress(column * len(_CHART_TRIALS) + row, total, f"{method}, {trials} trials")
            _draw_curve(axes, study, method, trials, share, _CHART_STYLES[row])
        _finish_chart(axes, study, method, planned, share)
    figure.savefig(path)


def _draw_curve(
    axes: Axes, study: Study, method: str, trials: int, share: float, style: str
) -> None:
    from analysis.planning import plan_answer

    power = [
        plan_answer(
            method=method, share=share, n_listeners=n, n_trials=trials, alpha=study.plan.alpha
        ).power
        for n in _CHART_LISTENERS
    ]
    axes.plot(_CHART_LISTENERS, power, style, label=f"{trials}", markersize=4)


def _finish_chart(axes: Axes, study: Study, method: str, planned: int, share: float) -> None:
    axes.axhline(0.8, color="0.5", linewidth=0.8)
    axes.axvline(study.plan.listeners, color="0.5", linewidth=0.8, linestyle="--")
    axes.set_xscale("log")
    axes.set_xticks(_CHART_LISTENERS, [str(n) for n in _CHART_LISTENERS])
    axes.minorticks_off()
    axes.set_ylim(0, 1.02)
    axes.set_xlabel("Listeners (dashed: planned)")
    axes.set_ylabel("Chance to show the difference")
    axes.set_title(f"{method}, true share {100 * share:.0f} %; planned: {planned} each")
    axes.legend(title="Trials of each", loc="lower right")
