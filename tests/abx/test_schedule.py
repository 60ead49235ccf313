"""Schedules: reproducible to the byte, balanced, fair to the statistics that follow."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from abx.methods import get_method
from abx.schedule.panel import (
    Schedule,
    balance,
    make_schedule,
    make_slot,
    rehearsal_seed,
    schedule_bytes,
    seed_commitment,
)
from abx.schedule.sequence import REPEAT_DISTANCE
from abx.schedule.stream import Stream
from abx.schedule.visits import VISITS, visit_minutes
from abx.study.model import Study
from abx.study.trial import Trial
from abx.study_file.reading import study_from_text
from helpers.study_desk import STUDY

SEED = bytes(range(32))


def one_test(text: str, *, programmes: int = 3, minutes: float | None = None) -> Study:
    """A study with one test, the given number of programmes and length of a visit."""
    head, _ = STUDY.split("[[programmes]]", 1)
    blocks = "".join(
        f'[[programmes]]\nid = "p{n}"\nfile = "programmes/p{n}.wav"\n' for n in range(programmes)
    )
    plan = "[plan]\nlisteners = 12\n"
    if minutes is not None:
        plan += f"counter_minutes = {minutes}\n"
    return study_from_text(f"{head}{blocks}[[tests]]\n{text}\n{plan}")


ABX = 'method = "abx"\npairs = [["untouched", "refit"], ["damped", "ceiling"]]\n'


def counted(schedule: Schedule) -> list[Trial]:
    return [
        trial
        for slot in schedule.slots
        for trial in slot.trials
        if trial.phase == "test" and not trial.control and trial.repeat_of is None
    ]


def test_the_stream_is_sha256_in_counter_mode() -> None:
    """Recomputed here from the rule in the docstring, with nothing but hashlib."""
    key = hashlib.sha256(SEED + b"\0" + b"a/7").digest()
    block = hashlib.sha256(key + (0).to_bytes(8, "big")).digest()
    words = [int.from_bytes(block[i : i + 8], "big") for i in range(0, 32, 8)]
    second = hashlib.sha256(key + (1).to_bytes(8, "big")).digest()
    words.append(int.from_bytes(second[:8], "big"))
    stream = Stream(SEED, "a", 7)
    assert [stream.below(1000) for _ in words] == [word % 1000 for word in words]


def test_draws_are_uniform() -> None:
    stream = Stream(SEED, "uniform")
    tally = Counter(stream.below(7) for _ in range(7000))
    assert stats.chisquare([tally[n] for n in range(7)]).pvalue > 1e-4
    orders = Counter(tuple(stream.shuffled("abc")) for _ in range(6000))
    assert len(orders) == 6
    assert stats.chisquare(list(orders.values())).pvalue > 1e-4


def test_impossible_draws_are_refused() -> None:
    with pytest.raises(ValueError, match="limit must be at least 1"):
        Stream(SEED).below(0)


def test_same_study_and_seed_give_the_same_bytes() -> None:
    study = study_from_text(STUDY)
    first = schedule_bytes(make_schedule(study, SEED))
    assert first == schedule_bytes(make_schedule(study_from_text(STUDY), SEED))
    assert first != schedule_bytes(make_schedule(study, SEED[::-1]))
    assert first != schedule_bytes(make_schedule(study_from_text(STUDY + "\n"), SEED))
    content = json.loads(first)
    assert content["commitment"] == hashlib.sha256(SEED).hexdigest() == seed_commitment(SEED)
    assert content["study_sha256"] == study.sha256


def test_snapshot_of_a_schedule() -> None:
    """Snapshot, not evidence of correctness: it notices a change of the rule.

    When it fails on purpose, RULE has to change as well, because sealed schedules would no
    longer recompute.
    """
    study = one_test(ABX + "trials = 4\nrepeats = 1\ncontrols = { identical = 1, obvious = 1 }")
    digest = hashlib.sha256(schedule_bytes(make_schedule(study, SEED, 3))).hexdigest()
    assert digest == SNAPSHOT


SNAPSHOT = "44aeea514196465ba706fbe42e77e9e2d51b673e457a7f494cb3597c05cb6175"


def test_a_panel_can_grow_in_order() -> None:
    study = study_from_text(STUDY)
    small, large = make_schedule(study, SEED, 3), make_schedule(study, SEED, 9)
    assert large.slots[:3] == small.slots
    assert make_slot(study, SEED, 8) == large.slots[8]


def test_the_seed_of_rehearsals_is_another_one() -> None:
    study = study_from_text(STUDY)
    rehearsed = make_schedule(study, rehearsal_seed(SEED))
    assert schedule_bytes(rehearsed) != schedule_bytes(make_schedule(study, SEED))
    assert rehearsal_seed(SEED) == hashlib.sha256(b"rehearsal\0" + SEED).digest()


@pytest.mark.parametrize(
    ("seed", "index", "words"),
    [(b"short", 0, "at least 16 bytes"), (SEED, -1, "must not be negative")],
)
def test_bad_arguments_are_refused(seed: bytes, index: int, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        make_slot(study_from_text(STUDY), seed, index)
    with pytest.raises(ValueError, match="n_listeners must be at least 1, got 0"):
        make_schedule(study_from_text(STUDY), SEED, 0)


@pytest.mark.parametrize("trials", [1, 2, 3, 4])
@pytest.mark.parametrize("programmes", [1, 2, 3, 4])
@pytest.mark.parametrize("method", ["abx", "paired", "duo-trio", "triangle", "same-different"])
def test_every_partial_panel_is_balanced_within_one(
    method: str, trials: int, programmes: int
) -> None:
    text = f'method = "{method}"\nstages = "all"\ntrials = {trials}'
    study = one_test(text, programmes=programmes)
    for n_listeners in (1, 2, 3, 4, 5, 7, 12):
        schedule = make_schedule(study, SEED, n_listeners)
        for pair in balance(schedule, study):
            assert pair.first + pair.second == trials * n_listeners
            assert abs(pair.first - pair.second) <= 1, pair
            heard = [pair.programmes.get(f"p{n}", 0) for n in range(programmes)]
            assert max(heard) - min(heard) <= 1, pair


def test_orders_and_programmes_are_crossed() -> None:
    """With two programmes an order must not stick to a programme."""
    study = one_test('method = "paired"\nstages = "all"\ntrials = 2', programmes=2)
    cells = Counter(
        (trial.version_names, trial.versions, trial.programme)
        for trial in counted(make_schedule(study, SEED, 4))
    )
    assert set(cells.values()) == {2}
    assert len(cells) == 6 * 2 * 2


@pytest.mark.parametrize("trials", [1, 2, 3, 4])
@pytest.mark.parametrize("method", ["abx", "duo-trio", "triangle", "same-different"])
def test_keys_are_balanced_over_groups_of_listeners(method: str, trials: int) -> None:
    study = one_test(f'method = "{method}"\nstages = "all"\ntrials = {trials}')
    n_keys = get_method(method).n_keys
    group = n_keys if trials % 2 == 0 else 2 * n_keys
    cells: Counter[object] = Counter()
    for trial in counted(make_schedule(study, SEED, group)):
        cells[trial.about, trial.versions] += 1
    assert set(cells.values()) == {trials * group // (2 * n_keys)}, "each order with each key"


def test_guessing_is_binomial_for_whoever_balances_their_own_answers() -> None:
    """A listener who answers A and B equally often must still have a binomial score.

    Were X equally often A and B within each sitting, 16 trials would score 12 or more with
    probability 0.066 and not 0.0384 (hypergeometric against binomial, hand sums:
    (C(8,6)^2 + C(8,7)^2 + 1) / C(16,8) and 2517/65536).
    """
    study = one_test('method = "abx"\npairs = [["untouched", "refit"]]\ntrials = 16')
    lucky = total = 0
    method = get_method("abx")
    for number in range(1500):
        slot = make_slot(study, hashlib.sha256(number.to_bytes(4, "big")).digest(), 0)
        trials = [trial for trial in slot.trials if trial.phase == "test"]
        answers = ["a", "b"] * 8
        right = sum(
            bool(method.correct(trial, answer))
            for trial, answer in zip(trials, answers, strict=True)
        )
        lucky += right >= 12
        total += 1
    # 1500 binomial draws at 0.0384: standard error 0.005.
    assert stats.binomtest(lucky, total, 2517 / 65536).pvalue > 0.001
    assert stats.binomtest(lucky, total, 849 / 12870).pvalue < 0.001


def test_no_pair_follows_itself() -> None:
    """In practice, controls, repeats, and from the last trial of a test to the next test."""
    study = study_from_text(STUDY)
    for slot in make_schedule(study, SEED, 40).slots:
        assert all(a.pair_key != b.pair_key for a, b in pairwise(slot.trials))


@pytest.mark.parametrize("trials", [1, 2, 3])
@pytest.mark.parametrize("n_listeners", [1, 2, 3, 5, 8])
def test_each_stage_begins_as_often_as_it_comes_second(trials: int, n_listeners: int) -> None:
    """First-position balance within one for stages too, whatever the seed."""
    study = one_test(f'method = "paired"\nstages = "all"\ntrials = {trials}')
    for number in range(10):
        seed = hashlib.sha256(bytes([number])).digest()
        lead: Counter[str] = Counter()
        for trial in counted(make_schedule(study, seed, n_listeners)):
            lead[trial.plays("a")] += 1
            lead[trial.plays("b")] -= 1
        assert max(map(abs, lead.values())) <= 1


def test_a_single_pair_has_to_follow_itself() -> None:
    study = one_test('method = "abx"\npairs = [["untouched", "refit"]]\ntrials = 6\nrepeats = 2')
    slot = make_slot(study, SEED, 0)
    assert slot.n_test_trials == 8


def test_repeats_come_later_in_the_other_order() -> None:
    study = one_test(ABX + "trials = 3\nrepeats = 2")
    repeated: Counter[frozenset[str]] = Counter()
    for slot in make_schedule(study, SEED, 12).slots:
        repeats = [trial for trial in slot.trials if trial.repeat_of is not None]
        assert len(repeats) == 2
        for trial in repeats:
            assert trial.repeat_of is not None
            original = slot.trials[trial.repeat_of - 1]
            assert trial.number - original.number >= REPEAT_DISTANCE
            assert trial.programme == original.programme
            assert (trial.plays("a"), trial.plays("b")) == (
                original.plays("b"),
                original.plays("a"),
            )
            repeated[trial.pair_key] += 1
    assert set(repeated.values()) == {12}


def test_the_choice_of_repeats_rotates_over_the_panel() -> None:
    """Six pairs, two repeats each: after three listeners every pair was repeated once."""
    study = one_test('method = "paired"\nstages = "all"\ntrials = 2\nrepeats = 2')
    repeated = Counter(
        trial.pair_key
        for slot in make_schedule(study, SEED, 6).slots
        for trial in slot.trials
        if trial.repeat_of is not None
    )
    assert len(repeated) == 6
    assert set(repeated.values()) == {2}


def test_controls_are_mixed_in() -> None:
    study = one_test(ABX + "trials = 4\ncontrols = { identical = 1, obvious = 2 }")
    places: Counter[int] = Counter()
    stages: Counter[str] = Counter()
    for slot in make_schedule(study, SEED, 40).slots:
        controls = [trial for trial in slot.trials if trial.control]
        assert Counter(trial.control for trial in controls) == {"identical": 1, "obvious": 2}
        for trial in controls:
            places[trial.number] += 1
            if trial.control == "identical":
                assert len(trial.pair_key) == 1
                stages[trial.plays("a")] += 1
            else:
                assert any(":" in source for source in trial.pair_key)
    assert len(places) == 11, "controls turn up everywhere after practice"
    assert len(stages) == 4, "identical controls use every stage"


def test_tests_rotate_over_listeners() -> None:
    study = study_from_text(STUDY)
    first = [slot.trials[0].method for slot in make_schedule(study, SEED, 4).slots]
    assert first == ["abx", "paired", "abx", "paired"]


def test_breaks_keep_the_fatigue_limit() -> None:
    study = one_test(ABX + "trials = 40\npractice = 0")
    slot = make_slot(study, SEED, 0)
    per_trial = get_method("abx").trial_s
    edges = [0, *slot.breaks_after, len(slot.trials)]
    longest_s = max(b - a for a, b in pairwise(edges)) * per_trial
    assert slot.breaks_after
    assert longest_s <= study.plan.break_after_min * 60 + 3 * per_trial


@settings(max_examples=40, deadline=None)
@given(
    seed=st.binary(min_size=16, max_size=40),
    index=st.integers(0, 10_000),
    trials=st.integers(1, 6),
    repeats=st.integers(0, 5),
    identical=st.integers(0, 2),
    obvious=st.integers(0, 2),
)
def test_any_slot_is_whole(
    seed: bytes, index: int, trials: int, repeats: int, identical: int, obvious: int
) -> None:
    study = one_test(
        f"{ABX}trials = {trials}\nrepeats = {repeats}\n"
        f"controls = {{ identical = {identical}, obvious = {obvious} }}"
    )
    slot = make_slot(study, seed, index)
    tested = [trial for trial in slot.trials if trial.phase == "test"]
    assert [trial.number for trial in slot.trials] == list(range(1, len(slot.trials) + 1))
    expected = 2 * trials + min(repeats, 2 * trials) + identical + obvious
    assert len(tested) == expected
    for trial in tested:
        assert trial.plays("x") in (trial.plays("a"), trial.plays("b"))


# Short visits -----------------------------------------------------------------------------------


def visits(study: Study, n: int, seed: bytes = SEED) -> list[list[Trial]]:
    return [list(make_slot(study, seed, VISITS + visitor).trials) for visitor in range(n)]


def plain(trials: list[Trial]) -> list[Trial]:
    return [t for t in trials if t.phase == "test" and not t.control and t.repeat_of is None]


@pytest.mark.parametrize("method", ["abx", "paired", "duo-trio", "triangle", "same-different"])
@pytest.mark.parametrize("minutes", [2.5, 4.0, 5.0, 9.0])
def test_every_number_of_visitors_is_balanced_within_one(method: str, minutes: float) -> None:
    """Six pairs and three programmes, dealt to visitors who hear from a few to many of them."""
    text = f'method = "{method}"\nstages = "all"\ntrials = 8\nrepeats = 4\npractice = 1'
    study = one_test(text, minutes=minutes)
    pairs: Counter[frozenset[str]] = Counter()
    orders: Counter[tuple[str, ...]] = Counter()
    programmes: Counter[tuple[frozenset[str], str]] = Counter()
    for trials in visits(study, 25):
        for trial in plain(trials):
            pairs[trial.pair_key] += 1
            orders[get_method(method).order_of(trial)] += 1
            programmes[trial.pair_key, trial.programme] += 1
        asked = [pairs[frozenset(unit)] for unit in study.tests[0].pairs]
        assert max(asked) - min(asked) <= 1
        for one, other in study.tests[0].pairs:
            assert abs(orders[one, other] - orders[other, one]) <= 1
            heard = [programmes[frozenset((one, other)), f"p{n}"] for n in range(3)]
            assert max(heard) - min(heard) <= 1


@pytest.mark.parametrize("method", ["abx", "triangle", "paired"])
def test_visits_last_about_five_minutes(method: str) -> None:
    text = f'method = "{method}"\nstages = "all"\ntrials = 6\nrepeats = 3\n'
    study = one_test(text + "controls = { identical = 2, obvious = 2 }")
    minutes = [visit_minutes(trials) for trials in visits(study, 30)]
    assert 4.0 < np.mean(minutes) < 5.0
    assert max(minutes) < 6.0


def test_visits_get_their_share_of_controls_and_repeats() -> None:
    """36 questions, 4 controls and 6 repeats a listener: the same shares over many visitors."""
    text = 'method = "paired"\nstages = "all"\ntrials = 6\nrepeats = 6\n'
    study = one_test(text + "controls = { identical = 1, obvious = 3 }")
    panel = [trial for trials in visits(study, 60) for trial in trials if trial.phase == "test"]
    asked = len(plain(panel))
    controls = Counter(trial.control for trial in panel if trial.control)
    repeats = sum(trial.repeat_of is not None for trial in panel)
    assert abs(sum(controls.values()) - asked * 4 // 36) <= 1
    assert abs(repeats - asked * 6 // 36) <= 1
    assert abs(controls["obvious"] - 3 * controls["identical"]) <= 3


@pytest.mark.parametrize("method", ["abx", "triangle"])
def test_keys_of_visits_are_balanced_and_fair(method: str) -> None:
    """Over a panel each answer is right as often; within a visit it is an independent die."""
    study = one_test(f'method = "{method}"\npairs = [["untouched", "refit"]]\ntrials = 40')
    n_keys = get_method(method).n_keys
    panel = visits(study, 2 * n_keys * 5)
    tally = Counter(trial.versions for trials in panel for trial in plain(trials))
    assert max(tally.values()) - min(tally.values()) <= 1, "each order with each key"
    answers = [answer.value for answer in get_method(method).answers(panel[0][0])]
    lucky = Counter()
    for number in range(600):
        seed = hashlib.sha256(number.to_bytes(4, "big")).digest()
        [trials] = visits(study, 1, seed)
        asked = plain(trials)[:4]
        right = [get_method(method).correct(t, answers[k % 2]) for k, t in enumerate(asked)]
        lucky[sum(map(bool, right))] += 1
    # Four guesses, binomial by hand: C(4, k) p^k (1 - p)^(4 - k).
    expected = [600 * stats.binom.pmf(k, 4, 1 / n_keys) for k in range(5)]
    assert stats.chisquare([lucky[k] for k in range(5)], expected).pvalue > 1e-4


def test_a_study_that_is_short_enough_is_asked_whole() -> None:
    study = one_test(
        'method = "paired"\npairs = [["untouched", "refit"]]\ntrials = 4\npractice = 0'
    )
    [trials] = visits(study, 1)
    assert len(trials) == 4


def test_visitors_take_the_tests_in_turn_and_no_pair_follows_itself() -> None:
    study = study_from_text(STUDY)
    panel = visits(study, 24)
    assert [trials[0].method for trials in panel[:4]] == ["abx", "paired", "abx", "paired"]
    for trials in panel:
        assert len({trial.method for trial in trials}) == 1
        if trials[0].method == "paired":  # abx has two pairs only, and identical controls
            assert all(a.pair_key != b.pair_key for a, b in pairwise(trials))


def test_visits_are_recomputed_to_the_byte() -> None:
    study = study_from_text(STUDY)
    first = [make_slot(study, SEED, VISITS + k) for k in range(6)]
    again = [make_slot(study_from_text(STUDY), SEED, VISITS + k) for k in range(6)]
    assert first == again
    assert first != [make_slot(study, SEED[::-1], VISITS + k) for k in range(6)]


def test_no_pair_follows_itself_in_practice_either() -> None:
    study = one_test('method = "paired"\nstages = "all"\ntrials = 1\npractice = 5')
    for slot in make_schedule(study, SEED, 8).slots:
        assert all(a.pair_key != b.pair_key for a, b in pairwise(slot.trials))
