"""What the study desk does, as commands: begin from files, add, look, plan, open, follow."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
import soundfile as sf


@pytest.fixture
def at_hand(tmp_path):
    """Tables of three stages at two positions, and an excerpt."""
    folder = tmp_path / "at-hand"
    folder.mkdir()
    f_hz = 20.0 * 2 ** (np.arange(31) / 3)
    for number, stage in enumerate(("osprey", "heron", "plover")):
        for position in (1, 2):
            level_db = 3.0 * number * np.log10(f_hz / 1000) + 0.2 * position
            table = "\n".join(f"{f:.1f}, {v:.2f}" for f, v in zip(f_hz, level_db, strict=True))
            (folder / f"{stage}-p{position}.csv").write_text(table, encoding="utf-8")
    noise = 0.1 * np.random.default_rng(3).uniform(-1, 1, (72_000, 2))
    sf.write(folder / "ripple.wav", noise, 48_000)
    return folder


def test_the_way_of_the_desk_by_commands(earwitness, at_hand, tmp_path):
    study = tmp_path / "study"
    late = [str(at_hand / f"plover-p{k}.csv") for k in (1, 2)]
    first = [str(path) for path in sorted(at_hand.iterdir()) if str(path) not in late]
    begun = earwitness("new", str(study), *first, "--title", "Boathouse", "--listeners", "4")
    assert begun.code == 0, begun.err
    assert "stage heron: heron-p1.csv, heron-p2.csv" in begun.out
    assert earwitness("render", str(study)).code == 0
    added = earwitness("add", str(study), *late, "--label", "Plover", "--cost", "120")
    assert added.code == 0, added.err
    stale = earwitness("open", str(study))
    assert stale.code == 2
    assert "rendered before this was added or changed: stage plover" in stale.err
    shown = earwitness("stages", str(study), "--curves", str(tmp_path / "curves.csv"))
    assert "Plover" in shown.out
    assert (tmp_path / "curves.csv").read_text(encoding="utf-8").startswith("stage,f_hz,level_db")
    planned = earwitness(
        "plan", str(study), "--trials", "abx=3", "--trials", "paired=1", "--save", "--studies", "20"
    )
    assert "each listener: 9 abx, 3 paired" in planned.out
    assert "What 4 listeners can find, by 20 simulated studies" in planned.out
    assert earwitness("render", str(study)).code == 0
    opened = earwitness("open", str(study))
    assert opened.code == 0, opened.err
    status = earwitness("status", str(study))
    assert "open; 0 of 4 listeners finished, 0 begun" in status.out
    seal = opened.out.split("SHA-256 of the schedule's seed: ")[1].split()[0]
    assert seal in status.out


def test_files_that_cannot_be_used_leave_nothing_behind(earwitness, at_hand, tmp_path):
    (at_hand / "notes.csv").write_text("hello", encoding="utf-8")
    study = tmp_path / "study"
    outcome = earwitness("new", str(study), *map(str, sorted(at_hand.iterdir())), "--title", "T")
    assert outcome.code == 2
    assert "notes.csv: the file holds no rows of numbers" in outcome.err
    assert not list(study.glob("**/*.*"))
    twice = tmp_path / "twice"
    twice.mkdir()
    shutil.copy(at_hand / "ripple.wav", twice)
    same = [str(at_hand / "ripple.wav"), str(twice / "ripple.wav")]
    outcome = earwitness("new", str(study), *same)
    assert outcome.code == 2
    assert "ripple.wav: two files have this name" in outcome.err
