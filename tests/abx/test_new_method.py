"""A method is one module: a throw-away one, in a folder of its own, goes the whole way."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

import abx.methods
from abx.evidence.export import trial_rows
from abx.evidence.log_check import check_log
from abx.methods import get_method, method_ids
from abx.planning.schedule import describe_plan
from abx.schedule.familiarisation import listening_sets
from abx.schedule.panel import balance, make_schedule, make_slot
from abx.schedule.visits import VISITS
from abx.session.counts import count_answers
from abx.session.simulate import run_panel
from abx.store import Store
from abx.study_file.reading import study_from_text
from analysis.run import analyse
from analysis.tables.trials import trial_table
from helpers.study_desk import STAGES, STUDY, make_desk

MODULE = '''
"""Weight: which of two versions has more of it.

An example that is thrown away again.
"""

from typing import ClassVar

from abx.methods.base import Answer
from abx.methods.pairs import PairMethod


class _Weight(PairMethod):
    id: ClassVar[str] = "weight"
    label: ClassVar[str] = "Which has more weight"
    trial_s: ClassVar[float] = 20.0
    option_keys: ClassVar[tuple[str, ...]] = ("unsure",)

    def read_options(self, table, stage_ids):
        return {"unsure": table.boolean("unsure", False)}

    def arrange(self, unit, turn, plan):
        a, b = unit.stages if turn.orientation == 0 else unit.stages[::-1]
        return (("a", a), ("b", b))

    def question(self, trial):
        return "Which version has more weight in the bass?"

    def answers(self, trial):
        sure = (Answer("a", "A has more"), Answer("b", "B has more"))
        return (*sure, Answer("tie", "I cannot tell")) if trial.options["unsure"] else sure

    def rows(self, trial, answer, listened_s):
        [row] = super().rows(trial, answer, listened_s)
        return [row | {"method": "paired"}]  # a kind of answer the analysis knows

    def simulate(self, trial, percept):
        a, b = (percept.clarity(trial.plays(name), trial.programme) for name in "ab")
        return "a" if a > b else "b"


METHOD = _Weight()
'''
TEST = 'method = "weight"\nstages = "all"\ntrials = 2\nrepeats = 1\nunsure = true\n'


@pytest.fixture
def weight(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    folder = tmp_path / "more"
    folder.mkdir()
    (folder / "weight.py").write_text(textwrap.dedent(MODULE), encoding="utf-8")
    monkeypatch.setattr(abx.methods, "__path__", [*abx.methods.__path__, str(folder)])
    abx.methods._registry.cache_clear()
    yield
    monkeypatch.undo()
    abx.methods._registry.cache_clear()


def test_one_module_goes_from_study_file_to_results(
    weight: None, tmp_path: Path, local_store: Store
) -> None:
    head, _ = STUDY.split("[[tests]]", 1)
    text = f"{head}[[tests]]\n{TEST}\n[plan]\nlisteners = 4\n"
    study = study_from_text(text)
    assert "weight" in method_ids()
    for pair in balance(make_schedule(study, bytes(32), 5), study):
        assert abs(pair.first - pair.second) <= 1
    assert any("13 weight" in line for line in describe_plan(study))
    assert make_slot(study, bytes(32), VISITS).trials[0].method == "weight"
    assert len(listening_sets(study, bytes(32), 0)) == 3

    desk = make_desk(tmp_path / "d", text=text)
    sessions = desk.sessions(local_store)
    token = sessions.begin(consent=True, simulated=True)
    message = sessions.next_trial(token)
    assert message["screen"] == "choice"
    assert [one["label"] for one in message["answers"]][-1] == "I cannot tell"
    sessions.withdraw(token)
    run_panel(sessions, n_listeners=4, seed=2)
    assert count_answers(sessions)["simulated"]["answers"] == 4 * 13
    frame = trial_rows(local_store, study)
    assert Counter(frame["method"]) == {"paired": 4 * 13}
    results = analyse(trial_table(frame)).to_dict()
    assert {row["stage"] for row in results["preference"]["stages"]} == {*STAGES}
    checks = check_log(local_store, study, desk.manifest, desk.root / "stimuli")
    assert [one.words for one in checks if not one.passed] == []
    assert 'method = "weight"' in get_method("weight").facts()


def test_it_is_gone_again() -> None:
    assert "weight" not in method_ids()
