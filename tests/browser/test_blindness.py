"""A hostile listener with the browser's own tools must not do better than guessing.

Everything that the browser sees of a trial without analysing the sound itself becomes a
number: addresses, keys, sizes, headers, order, timing, repeated bytes, storage, page. Each
number, and all together, try to tell whether X is A and which stage A is.

One limit cannot be removed and is not tested: whoever subtracts the waveforms of A and X on
their own machine finds the pair that cancels to dither. A sound that can be heard can be
analysed; that is why the staff device, or a person in the room, belongs to a serious test.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Page
from scipy.stats import binomtest

from abx.web.server import open_sessions
from helpers.browser_harness import Server, served
from helpers.browser_study import STAGES, write_study

pytestmark = pytest.mark.browser

N_TRIALS = 200
N_LISTENERS = 4
FALSE_ALARM = 1e-4  # of the whole battery, by Bonferroni

TESTS = """
[[tests]]
method = "abx"
stages = "all"
trials = 17
practice = 0
"""

SPY = Path(__file__).with_name("blindness_spy.js").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    root = write_study(tmp_path_factory.mktemp("blind"), tests=TESTS, seconds=1.0)
    with served(root) as one:
        yield one


def detects(numbers: np.ndarray, truth: np.ndarray) -> list[tuple[int, float]]:
    """Columns (and, as -1, all together) that tell the truth better than chance allows."""
    attacks = {k: single_guess(numbers[:, k]) for k in range(numbers.shape[1])}
    half = len(truth) // 2
    results = []
    for k, guess in attacks.items():
        hits = int((guess == truth).sum())
        results.append((k, binomtest(hits, len(truth)).pvalue))
    together = learned_guess(numbers[:half], truth[:half], numbers[half:])
    hits = int((together == truth[half:]).sum())
    results.append((-1, binomtest(hits, len(truth) - half).pvalue))
    return [(k, p) for k, p in results if p < FALSE_ALARM / len(results)]


def single_guess(column: np.ndarray) -> np.ndarray:
    return column > np.median(column)


def learned_guess(train: np.ndarray, truth: np.ndarray, test: np.ndarray) -> np.ndarray:
    """Ridge regression on standardised columns, trained on one half of the trials."""
    spread = train.std(axis=0)
    keep = spread > 0
    scale = (train[:, keep] - train[:, keep].mean(axis=0)) / spread[keep]
    weights = np.linalg.solve(
        scale.T @ scale + 10 * np.eye(keep.sum()), scale.T @ (2.0 * truth - 1)
    )
    return ((test[:, keep] - train[:, keep].mean(axis=0)) / spread[keep]) @ weights > 0


def spy_on(page: Page, server: Server) -> tuple[list[str], np.ndarray, np.ndarray, np.ndarray]:
    """Answer 200 trials as the hostile listener; returns names, numbers and two truths."""
    page.goto(server.url)
    sessions = open_sessions(server.root)
    try:
        tokens = [sessions.begin(consent=True) for _ in range(N_LISTENERS)]
        sittings = page.evaluate(SPY, {"tokens": tokens, "wanted": N_TRIALS // N_LISTENERS})
        trials = [
            trial
            for token in tokens
            for trial in sessions.slot(sessions.sitting(token).slot).trials[
                : N_TRIALS // N_LISTENERS
            ]
        ]
    finally:
        sessions.store.close()
    seen = [one for sitting in sittings for one in sitting]
    plays = [dict(trial.versions) for trial in trials]
    is_a = [one["x"] == one["a"] for one in plays]
    first_is_lower = [one["a"] < one["b"] for one in plays]
    names = list(seen[0]["numbers"])
    numbers = np.array([[one["numbers"][name] for name in names] for one in seen], dtype=float)
    return names, numbers, np.array(is_a), np.array(first_is_lower)


def test_nothing_but_the_sound_tells_what_x_is(page: Page, server: Server) -> None:
    names, numbers, is_a, first_is_lower = spy_on(page, server)
    assert len(is_a) == N_TRIALS
    earlier = np.column_stack([np.roll(is_a, 1), np.roll(first_is_lower, 1)]).astype(float)
    numbers = np.column_stack([numbers, earlier])
    names += ["the answer before", "the order before"]
    for truth in (is_a, first_is_lower):
        found = [(names[k] if k >= 0 else "all together", p) for k, p in detects(numbers, truth)]
        assert found == []
    sizes = numbers[:, names.index("audioBytes")]
    assert len(set(sizes)) == 1
    assert not numbers[:, names.index("sameDigest")].any()
    assert not numbers[:, names.index("repeatsX")].any()
    rng = np.random.default_rng(4)
    leak = is_a + 0.4 * rng.standard_normal(len(is_a))
    assert detects(np.column_stack([numbers, leak]), is_a), "the battery must see a real leak"


def test_log_and_database_hold_no_results(page: Page, server: Server) -> None:
    sessions = open_sessions(server.root)
    token = sessions.begin(consent=True)
    page.goto(server.url)
    page.evaluate(SPY, {"tokens": [token], "wanted": 5})
    rows = sessions.store.rows(sessions.study_id, kind="answer")
    sessions.store.close()
    text = " ".join(str(row.body) for row in rows)
    assert len(rows) >= 5
    assert not [word for word in (*STAGES, "correct", "right") if word in text]
    log = (server.root / "server.log").read_text()
    assert not [word for word in (*STAGES, token) if word in log]
