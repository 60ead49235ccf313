"""The trials of a plan: whole sittings and short visits by the schedule's own rules."""

from __future__ import annotations

from collections import Counter

from abx.planning.power import ask_plan
from abx.schedule.panel import make_slot
from abx.schedule.planned_trials import PREVIEW_SEED, PlannedPanels, planned_slot
from abx.schedule.visits import VISITS, is_visit
from helpers.planned_study import STAGES, planned_study

TESTS = """\
method = "paired"
stages = "all"
trials = 2
repeats = 2
ties = true
---
method = "abx"
pairs = [["untouched", "refit"], ["untouched", "damped"]]
trials = 4
controls = { identical = 1, obvious = 2 }
---
method = "same-different"
pairs = [["ceiling", "refit"]]
trials = 4
---
method = "triangle"
pairs = [["untouched", "refit"]]
trials = 3
---
method = "rating"
stages = "all"
trials = 1
"""
GROUPS = '[groups]\nask = "Do you play?"\nanswers = { players = "Yes", others = "No" }\n'


def test_visits_come_evenly_spread_and_leave_the_sittings_their_slots() -> None:
    assert [planned_slot(k) for k in range(3)] == [0, 1, 2]
    assert [planned_slot(k, 1.0) for k in range(3)] == [VISITS, VISITS + 1, VISITS + 2]
    slots = [planned_slot(k, 0.25) for k in range(12)]
    assert [is_visit(slot) for slot in slots] == [False, False, False, True] * 3
    assert [slot for slot in slots if not is_visit(slot)] == list(range(9))
    assert [slot - VISITS for slot in slots if is_visit(slot)] == [0, 1, 2]


def test_what_is_planned_is_what_the_schedule_asks() -> None:
    study = planned_study(tests=TESTS)
    frame = PlannedPanels(study).trials(3).frame
    planned = Counter(zip(frame["listener"], frame["method"], frame["control"], strict=True))
    scheduled = Counter(
        (f"P{k + 1:05d}", trial.method, trial.control)
        for k in range(3)
        for trial in make_slot(study, PREVIEW_SEED, k).trials
        if trial.phase == "test" and trial.method != "rating"
    )
    assert planned == scheduled
    assert planned["P00001", "paired", ""] == 6 * 2 + 2


def test_panels_are_ready_for_the_simulation() -> None:
    panels = PlannedPanels(planned_study(tests=TESTS, extra=GROUPS), visits=0.5)
    panel = panels.panel(16)
    assert panels.panel(16) is panel
    assert panel.stages == tuple(sorted(STAGES))  # practice has other ones
    assert panel.ties
    group_of = dict(zip(panel.listeners, panel.group_of, strict=True))
    whole = [panels.name(k) for k in range(16) if not is_visit(planned_slot(k, 0.5))]
    assert Counter(group_of[name] for name in whole) == {"players": 4, "others": 4}
    # Of eight visitors one was only asked for ratings, and two others have the same group.
    visitors = [name for name in group_of if name not in whole]
    assert len(visitors) == 7
    assert {group_of[name] for name in visitors} == {"players", "others"}
    pairs = {(asked.cells.method, asked.cells.pair) for asked in panel.asked}
    assert pairs == {
        ("abx", ("refit", "untouched")),
        ("abx", ("damped", "untouched")),
        ("same-different", ("ceiling", "refit")),
        ("triangle", ("refit", "untouched")),
    }
    obvious = dict(zip(panel.listeners, panel.obvious, strict=True))
    assert all(obvious[name] == 2 for name in whole)


def test_a_panel_of_people_who_are_asked_for_ratings_only() -> None:
    rating, abx = 'method = "rating"\nstages = "all"\ntrials = 4', 'method = "abx"\ntrials = 8'
    tests = f'{rating}---{abx}\npairs = [["untouched", "refit"]]'
    claim = "listeners can tell refit from untouched"
    study = planned_study([claim], tests=tests)
    asked = ask_plan(study, visits=1.0)
    assert asked is not None
    panel = asked.question.panel_of(1)
    assert panel.listeners == ()
    world = asked.question.world()
    assert not asked.question.family.supported(panel, panel.answer(world, 1)).any()
    assert asked.question.panel_of(2).listeners == ("P00002",)
