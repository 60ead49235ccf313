"""Who hears what in which order: balanced, seeded, sealed.

A schedule is a pure function of the study and a secret seed. The seed's SHA-256 is published
before the first trial and the seed after the last, so anyone can recompute who was to hear
what, and see that nobody chose it afterwards.

Rules, for every test of the study:

- Each pair is presented in both orders equally often, within one at every moment of a panel
  that fills slot by slot. Programmes rotate, within one as well.
- Which answer is right is a fair die for every trial of a listener, and is rotated from one
  listener to the next. Within a listener, guessing is therefore exactly binomial (a fixed
  share of "X is A" would make lucky runs likelier than the binomial test believes), while
  over the panel each key comes up equally often, so that a habit of answering "A" gains
  nothing.
- No pair is heard twice in a row where there is more than one; controls are mixed in; repeats
  come at least three trials after what they repeat, in the other order.
- The order of tests rotates over listeners.
- Slots beyond the planned panel follow the same rule and keep the balance.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import lcm
from typing import Any

from abx.methods import get_method
from abx.methods.base import Turn
from abx.sequence import Item, arrange_items
from abx.stream import Stream
from abx.study import Study, TestPlan
from abx.trial import Trial, Unit

__all__ = [
    "RULE",
    "PairBalance",
    "Schedule",
    "Slot",
    "balance",
    "make_schedule",
    "make_slot",
    "rehearsal_seed",
    "schedule_bytes",
    "seed_commitment",
]

RULE = "earwitness-schedule-1"
"""Name of the rule; it changes when the same seed would give another schedule."""


@dataclass(frozen=True, slots=True)
class Slot:
    """The trials of one listener.

    Attributes
    ----------
    index : int
        0-based place in the panel.
    trials : tuple of Trial
        In the order of the sitting, practice first in each test.
    breaks_after : tuple of int
        Trial numbers after which a pause is offered.
    """

    index: int
    trials: tuple[Trial, ...]
    breaks_after: tuple[int, ...]

    @property
    def n_test_trials(self) -> int:
        """Number of trials that count."""
        return sum(trial.phase == "test" for trial in self.trials)


@dataclass(frozen=True, slots=True)
class Schedule:
    """The slots of a planned panel.

    Attributes
    ----------
    rule : str
        Name of the rule that made it.
    study_sha256 : str
        Hash of the study file.
    commitment : str
        SHA-256 of the seed.
    slots : tuple of Slot
        One for each planned listener.
    """

    rule: str
    study_sha256: str
    commitment: str
    slots: tuple[Slot, ...]


@dataclass(frozen=True, slots=True)
class PairBalance:
    """How often a pair was scheduled in each order.

    Attributes
    ----------
    method : str
        Method id.
    pair : tuple of (str, str)
        Stage ids as in the study file.
    first, second : int
        Trials in which the first or the second of the pair was presented first.
    programmes : mapping of str to int
        Trials by programme.
    """

    method: str
    pair: tuple[str, str]
    first: int
    second: int
    programmes: Mapping[str, int]


def seed_commitment(seed: bytes) -> str:
    """Return the SHA-256 of a seed in hexadecimal: what is published beforehand."""
    return hashlib.sha256(seed).hexdigest()


def rehearsal_seed(seed: bytes) -> bytes:
    """Derive the seed of rehearsals, one way, so that a rehearsal gives nothing away."""
    return hashlib.sha256(b"rehearsal\0" + seed).digest()


def make_schedule(study: Study, seed: bytes, n_listeners: int | None = None) -> Schedule:
    """Make the schedule of a panel.

    Parameters
    ----------
    study : Study
        The checked study file.
    seed : bytes
        The secret, 16 bytes or more.
    n_listeners : int, optional
        Panel size; the planned one when omitted.

    Returns
    -------
    Schedule
        The same study and seed give the same schedule, byte for byte.

    Raises
    ------
    ValueError
        If the seed is shorter than 16 bytes or the panel is empty.
    """
    count = study.plan.listeners if n_listeners is None else n_listeners
    if count < 1:
        raise ValueError(f"n_listeners must be at least 1, got {count}")
    slots = tuple(make_slot(study, seed, index) for index in range(count))
    return Schedule(RULE, study.sha256, seed_commitment(seed), slots)


def make_slot(study: Study, seed: bytes, index: int) -> Slot:
    """Make the slot of one listener, inside or beyond the planned panel.

    Parameters
    ----------
    study : Study
        The checked study file.
    seed : bytes
        The secret.
    index : int
        0-based place in the panel; any number is possible.

    Raises
    ------
    ValueError
        If the seed is shorter than 16 bytes or the index is negative.
    """
    if len(seed) < 16:
        raise ValueError(f"the seed must have at least 16 bytes, got {len(seed)}")
    if index < 0:
        raise ValueError(f"index must not be negative, got {index}")
    order = _rotated(list(range(len(study.tests))), index)
    trials: list[Trial] = []
    for test_index in order:
        block = _Block(study, seed, index, test_index)
        previous = trials[-1].pair_key if trials else frozenset[str]()
        trials += block.trials(first_number=len(trials) + 1, previous=previous)
    return Slot(index, tuple(trials), _breaks(study, trials))


def schedule_bytes(schedule: Schedule) -> bytes:
    """Return the canonical bytes of a schedule: JSON, sorted keys, no spaces, UTF-8."""
    content = {
        "rule": schedule.rule,
        "study_sha256": schedule.study_sha256,
        "commitment": schedule.commitment,
        "slots": [_slot_content(slot) for slot in schedule.slots],
    }
    return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


def balance(schedule: Schedule, study: Study) -> list[PairBalance]:
    """Count how often each pair is scheduled in each order, controls and practice left out."""
    first: Counter[tuple[int, str, str]] = Counter()
    programmes: dict[tuple[int, frozenset[str]], Counter[str]] = {}
    for slot in schedule.slots:
        for trial in slot.trials:
            method = get_method(trial.method)
            plain = not trial.control and trial.repeat_of is None and trial.phase == "test"
            if plain and method.compares_pairs:
                one, other = method.order_of(trial)
                first[trial.test, one, other] += 1
                tally = programmes.setdefault((trial.test, frozenset((one, other))), Counter())
                tally[trial.programme] += 1
    found = []
    for index, test in enumerate(study.tests):
        method = get_method(test.method)
        units = method.units(test, ()) if method.compares_pairs else ()
        for unit in units:
            one, other = unit.stages
            heard = programmes.get((index, frozenset(unit.stages)), Counter())
            found.append(
                PairBalance(
                    test.method,
                    (one, other),
                    first[index, one, other],
                    first[index, other, one],
                    dict(sorted(heard.items())),
                )
            )
    return found


def _slot_content(slot: Slot) -> dict[str, Any]:
    return {
        "index": slot.index,
        "breaks_after": list(slot.breaks_after),
        "trials": [
            {
                "number": trial.number,
                "test": trial.test,
                "method": trial.method,
                "phase": trial.phase,
                "programme": trial.programme,
                "versions": [list(version) for version in trial.versions],
                "about": list(trial.about),
                "control": trial.control,
                "repeat_of": trial.repeat_of,
            }
            for trial in slot.trials
        ],
    }


def _rotated(items: list[int], by: int) -> list[int]:
    by %= len(items)
    return items[by:] + items[:by]


def _breaks(study: Study, trials: list[Trial]) -> tuple[int, ...]:
    """Offer a pause whenever the listening time since the last one passes the limit."""
    limit_s = study.plan.break_after_min * 60.0
    elapsed_s = 0.0
    breaks = []
    for trial in trials[:-1]:
        elapsed_s += get_method(trial.method).trial_s
        if elapsed_s >= limit_s:
            breaks.append(trial.number)
            elapsed_s = 0.0
    # A pause right before the end helps nobody.
    return tuple(number for number in breaks if len(trials) - number >= 3)


class _Block:
    """The trials of one test for one listener."""

    def __init__(self, study: Study, seed: bytes, slot: int, test_index: int) -> None:
        self.seed = seed
        self.slot = slot
        self.test_index = test_index
        self.plan: TestPlan = study.tests[test_index]
        self.method = get_method(self.plan.method)
        self.programmes = tuple(programme.id for programme in study.programmes)
        self.units = self.method.units(self.plan, self.programmes)

    def trials(self, *, first_number: int, previous: frozenset[str]) -> list[Trial]:
        """Return the block in playing order, numbered from ``first_number``."""
        practice = self._practice()
        main = [item for unit in range(len(self.units)) for item in self._main_items(unit)]
        repeats = [self._repeat(item) for item in self._chosen_for_repeat(main)]
        controls = self._controls()
        last = practice[-1].pair_key if practice else previous
        ordered = arrange_items(
            [*main, *controls, *repeats], previous=last, stream=self._stream("order", self.slot)
        )
        return self._numbered(practice, ordered, first_number)

    def _stream(self, *labels: str | int) -> Stream:
        return Stream(self.seed, "test", self.test_index, *labels)

    def _trial(self, unit: Unit, turn: Turn, programme: str, **changes: Any) -> Trial:
        return Trial(
            number=0,
            test=self.test_index,
            method=self.method.id,
            phase=changes.pop("phase", "test"),
            programme=programme,
            versions=self.method.arrange(unit, turn, self.plan),
            about=unit.about,
            options=self.plan.options,
            **changes,
        )

    def _main_items(self, unit_index: int) -> list[Item]:
        """Make the trials of a unit; ``count`` runs on from listener to listener."""
        unit = self.units[unit_index]
        items = []
        for place in range(self.plan.trials):
            count = self.slot * self.plan.trials + place
            turn = Turn(
                orientation=(count + self._offset(unit_index, "orientation", 2)) % 2,
                key=self._key(unit_index, place),
                order=self._order(unit_index, place, len(unit.stages)),
            )
            programme = unit.programme or self._programme(unit_index, count)
            items.append(Item((unit_index, place), self._trial(unit, turn, programme)))
        return items

    def _offset(self, unit_index: int, what: str, limit: int) -> int:
        return self._stream("offset", what, unit_index).below(limit)

    def _programme(self, unit_index: int, count: int) -> str:
        """Rotate the programmes; the start shifts whenever the pattern would repeat."""
        n = len(self.programmes)
        order = self._stream("programmes", unit_index).shuffled(self.programmes)
        cycle = lcm(2, n)
        return order[(count + count // cycle) % n if n % 2 == 0 else count % n]

    def _key(self, unit_index: int, place: int) -> int:
        """Throw a die shared by a group of listeners, rotated within the group."""
        n = self.method.n_keys
        if n == 1:
            return 0
        if self.plan.trials % 2 == 0:  # each listener hears both orders equally often
            group, rotation = self.slot // n, self.slot % n
        else:  # the order alternates between listeners: cover both orders with every key
            group, member = divmod(self.slot, 2 * n)
            rotation = member // 2 + member % 2
        die = self._stream("key", unit_index, place, group).below(n)
        return (die + rotation) % n

    def _order(self, unit_index: int, place: int, size: int) -> tuple[int, ...]:
        """Return an order, rotated over listeners so that each stage takes each place."""
        group, rotation = divmod(self.slot, size)
        base = self._stream("set", unit_index, place, group).shuffled(range(size))
        return tuple(base[rotation:] + base[:rotation])

    def _chosen_for_repeat(self, main: list[Item]) -> list[Item]:
        """Choose what is repeated; the choice rotates over listeners and places."""
        count = min(self.plan.repeats, len(main))
        n_units = len(self.units)
        order = self._stream("repeats").shuffled(range(n_units))
        chosen: dict[tuple[int, int], Item] = {}
        by_tag = {item.tag: item for item in main}
        start = self.slot * count
        step = start
        while len(chosen) < count:
            tag = (order[step % n_units], (step // n_units) % self.plan.trials)
            chosen.setdefault(tag, by_tag[tag])
            step += 1
        return list(chosen.values())

    def _repeat(self, item: Item) -> Item:
        """Ask the same question again, in the other order, with a new die."""
        unit_index, place = item.tag
        unit = self.units[unit_index]
        first = self._main_turn(unit_index, place)
        stream = self._stream("repeat", self.slot, unit_index, place)
        turn = Turn(1 - first.orientation, stream.below(self.method.n_keys), first.order[::-1])
        trial = self._trial(unit, turn, item.trial.programme)
        return Item((-1 - unit_index, place), trial, repeats=item.tag)

    def _main_turn(self, unit_index: int, place: int) -> Turn:
        count = self.slot * self.plan.trials + place
        orientation = (count + self._offset(unit_index, "orientation", 2)) % 2
        order = self._order(unit_index, place, len(self.units[unit_index].stages))
        return Turn(orientation, self._key(unit_index, place), order)

    def _controls(self) -> list[Item]:
        items = []
        kinds = ("identical",) * self.plan.identical + ("obvious",) * self.plan.obvious
        for place, kind in enumerate(kinds):
            count = self.slot * len(kinds) + place
            stream = self._stream("control", self.slot, place)
            stage = self.plan.stages[(count + self._offset(0, kind, 64)) % len(self.plan.stages)]
            unit = self.method.control_unit(kind, stage, self.plan)
            if unit is None:
                continue
            turn = self.method.control_turn(
                kind, Turn(stream.below(2), stream.below(self.method.n_keys), (0, 1))
            )
            programme = self._programme(0, count)
            trial = self._trial(unit, turn, programme, control=kind)
            items.append(Item((-1000 - place, 0), trial))
        return items

    def _practice(self) -> list[Trial]:
        trials = []
        for place in range(self.plan.practice):
            stream = self._stream("practice", self.slot, place)
            stage = self.plan.stages[0]
            unit = self.method.control_unit("obvious", stage, self.plan) or self.units[0]
            turn = Turn(
                stream.below(2),
                stream.below(self.method.n_keys),
                tuple(stream.shuffled(range(len(unit.stages)))),
            )
            programme = self.programmes[place % len(self.programmes)]
            trials.append(self._trial(unit, turn, programme, phase="practice"))
        return trials

    def _numbered(
        self, practice: list[Trial], ordered: list[Item], first_number: int
    ) -> list[Trial]:
        start = first_number + len(practice)
        number_of = {item.tag: start + place for place, item in enumerate(ordered)}
        numbered = [
            replace(trial, number=first_number + place) for place, trial in enumerate(practice)
        ]
        for item in ordered:
            original = None if item.repeats is None else number_of[item.repeats]
            numbered.append(replace(item.trial, number=number_of[item.tag], repeat_of=original))
        return numbered
