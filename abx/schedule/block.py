"""The trials of one test for one listener: turned, dealt programmes, practice and controls."""

from __future__ import annotations

from dataclasses import replace
from math import lcm
from typing import Any

from abx.methods import get_method
from abx.methods.base import Turn
from abx.schedule.sequence import Item, arrange_items
from abx.schedule.stream import Stream
from abx.study.model import Study, TestPlan
from abx.study.trial import Trial, Unit

__all__ = ["Block"]


class Block:
    """The trials of one test for one listener."""

    def __init__(self, study: Study, seed: bytes, slot: int, test_index: int) -> None:
        self.seed = seed
        self.slot = slot
        self.test_index = test_index
        self.plan: TestPlan = study.tests[test_index]
        self.method = get_method(self.plan.method)
        self.programmes = tuple(programme.id for programme in study.programmes)
        self.units = self.method.units(self.plan, self.programmes)
        self._turns: dict[tuple[int, int], Turn] = {}

    def trials(self, *, first_number: int, previous: frozenset[str]) -> list[Trial]:
        """Return the block in playing order, numbered from ``first_number``."""
        practice = self._practice(previous)
        main = self._main()
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

    def _main(self) -> list[Item]:
        """Make the trials of every unit; ``count`` runs on from listener to listener."""
        return [
            self._main_item(
                unit_index,
                place,
                count=self.slot * self.plan.trials + place,
                key=self._key(unit_index, place),
                turn_of=self.slot,
            )
            for unit_index in range(len(self.units))
            for place in range(self.plan.trials)
        ]

    def _main_item(
        self, unit_index: int, place: int, *, count: int, key: int, turn_of: int
    ) -> Item:
        """Make a trial of a unit.

        ``count`` is how often the panel was asked before, ``turn_of`` rotates the order of a set.
        """
        unit = self.units[unit_index]
        turn = Turn(
            orientation=(count + self._first(unit_index)) % 2,
            key=key,
            order=self._order(unit_index, place, turn_of, len(unit.stages)),
        )
        tag = (unit_index, place)
        self._turns[tag] = turn
        programme = unit.programme or self._programme(unit_index, count)
        return Item(tag, self._trial(unit, turn, programme))

    def _offset(self, unit_index: int, what: str, limit: int) -> int:
        return self._stream("offset", what, unit_index).below(limit)

    def _first(self, unit_index: int) -> int:
        """Return which of a pair begins when the panel is asked for the first time.

        Dealt like a tournament in a shuffled circle: each stage begins against the half that
        follows it. So in a full round-robin each stage begins as often as it comes second,
        within one, at every moment.
        """
        stages = self.units[unit_index].stages
        if len(stages) != 2 or not set(stages) <= set(self.plan.stages):
            return self._offset(unit_index, "orientation", 2)
        circle = self._stream("circle").shuffled(self.plan.stages)
        places = [circle.index(stage) for stage in stages]
        behind = (places[1] - places[0]) % len(circle)
        if 2 * behind == len(circle):  # opposite each other
            return int(places[0] > places[1])
        return int(2 * behind > len(circle))

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

    def _order(self, unit_index: int, place: int, turn_of: int, size: int) -> tuple[int, ...]:
        """Return an order, rotated over listeners so that each stage takes each place."""
        group, rotation = divmod(turn_of, size)
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
        first = self._turns[item.tag]
        stream = self._stream("repeat", self.slot, unit_index, place)
        turn = Turn(1 - first.orientation, stream.below(self.method.n_keys), first.order[::-1])
        trial = self._trial(unit, turn, item.trial.programme)
        return Item((-1 - unit_index, place), trial, repeats=item.tag)

    def _control_kinds(self) -> list[tuple[int, str]]:
        """Return each control of this listener: its count over the panel, and its kind."""
        kinds = self._all_kinds()
        return [(self.slot * len(kinds) + place, kind) for place, kind in enumerate(kinds)]

    def _all_kinds(self) -> tuple[str, ...]:
        return ("identical",) * self.plan.identical + ("obvious",) * self.plan.obvious

    def _controls(self) -> list[Item]:
        items = []
        for place, (count, kind) in enumerate(self._control_kinds()):
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

    def _n_practice(self) -> int:
        return self.plan.practice

    def _practice(self, previous: frozenset[str]) -> list[Trial]:
        """Make easy trials first; no pair follows itself here either."""
        trials: list[Trial] = []
        shift = 0
        for place in range(self._n_practice()):
            if frozenset(self._practice_unit(place + shift).about) == previous:
                shift += 1
            unit = self._practice_unit(place + shift)
            previous = frozenset(unit.about)
            stream = self._stream("practice", self.slot, place)
            turn = Turn(
                stream.below(2),
                stream.below(self.method.n_keys),
                tuple(stream.shuffled(range(len(unit.stages)))),
            )
            programme = unit.programme or self.programmes[place % len(self.programmes)]
            trials.append(self._trial(unit, turn, programme, phase="practice"))
        return trials

    def _practice_unit(self, place: int) -> Unit:
        """Return what practice is about: something easy where the method has it."""
        stage = self.plan.stages[place % len(self.plan.stages)]
        easy = self.method.control_unit("obvious", stage, self.plan)
        return easy or self.units[place % len(self.units)]

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
