"""The staff passphrase."""

from __future__ import annotations

import threading

import pytest
from sqlalchemy import select

from abx.errors import InputError, TooManyAttempts
from abx.session.operators import FREE_ATTEMPTS, WINDOW_S, Operators
from abx.store import Store
from abx.store.tables import operators


def test_set_and_check(store: Store) -> None:
    staff = Operators(store)
    assert not staff.is_set
    assert not staff.check("anything at all"), "without a passphrase nobody gets in"
    staff.set_passphrase("four calm words here")
    assert staff.is_set
    assert staff.check("four calm words here")
    assert not staff.check("four calm words hero")
    staff.set_passphrase("five other calm words here")
    assert staff.check("five other calm words here")
    assert not staff.check("four calm words here")


@pytest.mark.parametrize(
    ("stored", "typed"),
    [
        ("caf\u00e9 au lait", "cafe\u0301 au lait"),  # one letter, or a letter and its accent
        ("four calm words", "four\u00a0calm words"),  # a space that does not break
        ("100 % *_$`[]", "100 % *_$`[]"),
        ("-- starts so", "-- starts so"),
    ],
)
def test_a_passphrase_is_the_same_on_every_keyboard(
    local_store: Store, stored: str, typed: str
) -> None:
    staff = Operators(local_store)
    staff.set_passphrase(stored)
    assert staff.check(typed)
    staff.set_passphrase(typed)
    assert staff.check(stored)
    assert not staff.check(stored + "s")


def test_only_a_slow_salted_hash_is_kept(local_store: Store) -> None:
    Operators(local_store).set_passphrase("four calm words here")
    Operators(local_store).set_passphrase("four calm words here")
    with local_store.reading() as connection:
        hashes = list(connection.execute(select(operators.c.passphrase_hash)).scalars())
    assert len(set(hashes)) == 2
    assert all(text.startswith("$argon2id$") for text in hashes)
    assert not any("calm" in text for text in hashes)


@pytest.mark.parametrize("passphrase", ["", "short", "x" * 2000])
def test_bad_lengths(local_store: Store, passphrase: str) -> None:
    with pytest.raises(InputError, match=f"it has {len(passphrase)} characters. Use 8 to 1024"):
        Operators(local_store).set_passphrase(passphrase)


def test_guessing_is_slowed_down_and_ends(store: Store) -> None:
    now = 1_000_000.0
    staff = Operators(store, clock=lambda: now)
    staff.set_passphrase("four calm words here")
    for _ in range(FREE_ATTEMPTS):
        assert not staff.check("a wrong one")
    with pytest.raises(TooManyAttempts, match="wait five minutes"):
        staff.check("four calm words here")
    with pytest.raises(TooManyAttempts, match="wait five minutes"):
        Operators(store, clock=lambda: now).check("another process, another guess")
    now += WINDOW_S + 1
    assert staff.check("four calm words here")


def test_right_passphrases_do_not_count(local_store: Store) -> None:
    staff = Operators(local_store)
    staff.set_passphrase("four calm words here")
    for _ in range(FREE_ATTEMPTS + 2):
        assert staff.check("four calm words here")


def test_a_burst_of_guesses_does_not_slip_through(local_store: Store) -> None:
    staff = Operators(local_store)
    staff.set_passphrase("four calm words here")
    outcomes: list[object] = []

    def guess() -> None:
        try:
            outcomes.append(staff.check("a wrong one"))
        except TooManyAttempts as error:
            outcomes.append(error)

    threads = [threading.Thread(target=guess) for _ in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert outcomes.count(False) == FREE_ATTEMPTS
