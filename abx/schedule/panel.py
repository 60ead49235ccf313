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
- Short visits, at a counter, are dealt from the same rules; see :mod:`abx.schedule.visits`.
- Slots beyond the planned panel follow the same rule and keep the balance.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from abx.methods import get_method
from abx.schedule.block import Block
from abx.schedule.visits import VISITS, visit_trials
from abx.study.model import Study
from abx.study.trial import Trial

__all__ = [
    "FEWEST_AFTER_BREAK",
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
    "slot_content",
]

RULE = "earwitness-schedule-2"
"""Name of the rule; it changes when the same seed would give another schedule."""

FEWEST_AFTER_BREAK = 3
"""Trials that have to be left for a pause: right before the end it helps nobody."""


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
        0-based place in the panel; any number is possible. From
        :data:`abx.schedule.visits.VISITS` on they are short visits.

    Raises
    ------
    ValueError
        If the seed is shorter than 16 bytes or the index is negative.
    """
    if len(seed) < 16:
        raise ValueError(f"the seed must have at least 16 bytes, got {len(seed)}")
    if index < 0:
        raise ValueError(f"index must not be negative, got {index}")
    trials = visit_trials(study, seed, index - VISITS) if index >= VISITS else []
    trials = trials or _whole_sitting(study, seed, index)
    return Slot(index, tuple(trials), _breaks(study, trials))


def _whole_sitting(study: Study, seed: bytes, index: int) -> list[Trial]:
    order = _rotated(list(range(len(study.tests))), index)
    trials: list[Trial] = []
    for test_index in order:
        block = Block(study, seed, index, test_index)
        previous = trials[-1].pair_key if trials else frozenset[str]()
        trials += block.trials(first_number=len(trials) + 1, previous=previous)
    return trials


def schedule_bytes(schedule: Schedule) -> bytes:
    """Return the canonical bytes of a schedule: JSON, sorted keys, no spaces, UTF-8."""
    content = {
        "rule": schedule.rule,
        "study_sha256": schedule.study_sha256,
        "commitment": schedule.commitment,
        "slots": [slot_content(slot) for slot in schedule.slots],
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


def slot_content(slot: Slot) -> dict[str, Any]:
    """Return a slot as JSON data: its index, breaks and trials."""
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
    return tuple(number for number in breaks if len(trials) - number >= FEWEST_AFTER_BREAK)
