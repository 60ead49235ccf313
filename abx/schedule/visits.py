"""Short visits: the part of a schedule that one customer at a counter is asked.

A customer has about five minutes. What a whole listener is asked is therefore dealt out to
several visitors, and the deal is as fixed by the seed as everything else:

- Visitors take the tests of the study in turn; a visit has one kind of question.
- The questions of a test form one endless row, in which every round asks each pair once. A
  visitor takes the next few. So after any number of visitors each pair has been asked equally
  often, in each order equally often, and with each programme equally often, within one.
- The order of pairs within rounds is shuffled again whenever visits and rounds end together.
- Controls and repeats are dealt in the share that the study file gives them.
- Which answer is right stays a fair die for each question of a visitor, rotated over visitors.

Visits have slots of their own, from :data:`VISITS` on, so that the panel of those who come for
a whole sitting is not touched by them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import lcm

from abx.methods import get_method
from abx.schedule.block import Block
from abx.schedule.sequence import REPEAT_DISTANCE, Item
from abx.schedule.stream import Stream
from abx.study.model import Study
from abx.study.trial import Trial

__all__ = ["VISITS", "VisitSize", "is_visit", "visit_minutes", "visit_size", "visit_trials"]

VISITS = 5_040_000
"""Slots from this number on are visits (a multiple of every small group of listeners)."""

START_S = 45.0
"""Reading the start page and setting the level (common practice, no source)."""

LISTEN_S = 6.0
"""Getting to know one version before the questions (common practice, no source)."""


def is_visit(slot: int) -> bool:
    """Tell whether a slot is a short visit."""
    return slot >= VISITS


@dataclass(frozen=True, slots=True)
class VisitSize:
    """How much of a test fits into one visit.

    Attributes
    ----------
    questions : int
        Questions that count, controls and repeats not included.
    practice : int
        Practice trials.
    """

    questions: int
    practice: int


def visit_size(study: Study, test_index: int) -> VisitSize:
    """Return how much of a test fits into ``counter_minutes``.

    Parameters
    ----------
    study : Study
        The checked study file.
    test_index : int
        0-based index of the test.

    Returns
    -------
    VisitSize
        At least one question, at most all of the test.
    """
    plan = study.tests[test_index]
    method = get_method(plan.method)
    whole = len(method.units(plan, tuple(p.id for p in study.programmes))) * plan.trials
    practice = min(1, plan.practice)
    time_s = study.plan.counter_minutes * 60.0 - START_S - LISTEN_S * len(plan.stages)
    fits = int(time_s / method.trial_s) - practice
    extra = plan.repeats + plan.identical + plan.obvious
    return VisitSize(min(whole, max(1, fits * whole // (whole + extra))), practice)


def visit_trials(study: Study, seed: bytes, visitor: int) -> list[Trial]:
    """Return what a visitor is asked, or nothing where a whole sitting is short enough.

    Parameters
    ----------
    study : Study
        The checked study file.
    seed : bytes
        The secret.
    visitor : int
        0-based number of the visitor.
    """
    if _whole_sitting_fits(study):
        return []
    turn, test_index = divmod(visitor, len(study.tests))
    block = _VisitBlock(study, seed, turn, test_index)
    return block.trials(first_number=1, previous=frozenset())


def visit_minutes(trials: Sequence[Trial]) -> float:
    """Return the expected length of a visit in minutes, from the start page to the result."""
    known = {source for trial in trials if not trial.control for _, source in trial.versions}
    seconds = sum(get_method(trial.method).trial_s for trial in trials)
    return (START_S + LISTEN_S * len(known) + seconds) / 60.0


def _whole_sitting_fits(study: Study) -> bool:
    seconds = START_S
    stages: set[str] = set()
    for plan in study.tests:
        method = get_method(plan.method)
        units = method.units(plan, tuple(p.id for p in study.programmes))
        asked = len(units) * plan.trials + plan.repeats + plan.identical + plan.obvious
        seconds += (asked + plan.practice) * method.trial_s
        stages |= set(plan.stages)
    return seconds + LISTEN_S * len(stages) <= study.plan.counter_minutes * 60.0


class _VisitBlock(Block):
    """The part of a test that one visitor gets; ``slot`` counts the visitors of this test."""

    def __init__(self, study: Study, seed: bytes, slot: int, test_index: int) -> None:
        super().__init__(study, seed, slot, test_index)
        self._size = visit_size(study, test_index)
        self._whole = len(self.units) * self.plan.trials

    def _stream(self, *labels: str | int) -> Stream:
        return Stream(self.seed, "visit", self.test_index, *labels)

    def _asked_of(self, visitor: int) -> Iterator[tuple[int, int]]:
        """Return unit and round of each question in a visitor's part of the row."""
        n_units, n = len(self.units), self._size.questions
        block = visitor * n // lcm(n, n_units)
        order = self._stream("units", block).shuffled(range(n_units))
        for number in range(visitor * n, (visitor + 1) * n):
            yield order[number % n_units], number // n_units

    def _main(self) -> list[Item]:
        asked: Counter[int] = Counter()
        items = []
        for unit_index, count in self._asked_of(self.slot):
            place = asked[unit_index]
            asked[unit_index] += 1
            turn_of = self._earlier(unit_index, place)
            key = self._key_of_visit(unit_index, place, turn_of)
            items.append(self._main_item(unit_index, place, count=count, key=key, turn_of=turn_of))
        return items

    def _earlier(self, unit_index: int, place: int) -> int:
        """Count the earlier visitors who heard this unit at least ``place + 1`` times."""
        n_units, n = len(self.units), self._size.questions
        visits = lcm(n, n_units) // n
        rounds = lcm(n, n_units) // n_units
        each = n // n_units
        in_block = visits if place < each else rounds - each * visits
        block, within = divmod(self.slot, visits)
        heard = [
            sum(unit == unit_index for unit, _ in self._asked_of(visitor))
            for visitor in range(block * visits, block * visits + within)
        ]
        return block * in_block + sum(times > place for times in heard)

    def _key_of_visit(self, unit_index: int, place: int, turn_of: int) -> int:
        """Throw a die shared by a group of visitors, rotated so that orders and keys cross."""
        n = self.method.n_keys
        if n == 1:
            return 0
        group, member = divmod(turn_of, 2 * n)
        die = self._stream("key", unit_index, place, group).below(n)
        return (die + member // 2 + member % 2) % n

    def _share(self, per_listener: int) -> range:
        """Return which of the panel's extra trials this visitor gets: a fair part of them."""
        part = per_listener * self._size.questions
        return range(self.slot * part // self._whole, (self.slot + 1) * part // self._whole)

    def _chosen_for_repeat(self, main: list[Item]) -> list[Item]:
        wanted = self._share(self.plan.repeats)
        if len(main) <= REPEAT_DISTANCE:
            return []
        return [main[number % len(main)] for number in wanted][: len(main)]

    def _control_kinds(self) -> list[tuple[int, str]]:
        kinds = self._all_kinds()
        return [(number, kinds[number % len(kinds)]) for number in self._share(len(kinds))]

    def _n_practice(self) -> int:
        return self._size.practice
