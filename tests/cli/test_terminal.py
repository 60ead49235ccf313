"""At a real terminal and without one: colour, progress, questions, Ctrl-C, the log file."""

import fcntl
import hashlib
import os
import pty
import re
import select
import shutil
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest

from helpers.cli_study import write_study
from helpers.guards import GUARD_S

COLOUR = re.compile(r"\x1b\[[0-9;]*m")
FEW = ("--studies", "20")  # simulated studies: enough for words, not for figures


def at_terminal(*args, keys=(), interrupt_at=None, env=None):
    """Run the command at a terminal of its own.

    ``keys`` are pairs of what is shown and what is typed then; ``interrupt_at`` is the text at
    which Ctrl-C is pressed. Returns exit code and all that was shown.
    """
    controller, terminal = pty.openpty()
    process = subprocess.Popen(
        # An import that Ctrl-C cuts short leaves its file to the collector, which says so.
        [sys.executable, "-W", "error", "-W", "ignore::ResourceWarning", "-m", "abx.cli"]
        + [str(arg) for arg in args],
        **dict.fromkeys(("stdin", "stdout", "stderr"), terminal),
        env={**os.environ, **(env or {})},
        start_new_session=True,
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # so that Ctrl-C is a signal
    )
    os.close(terminal)
    waiting = [*keys, *([(interrupt_at, "\x03")] if interrupt_at else [])]
    shown, since, deadline = "", 0, time.monotonic() + GUARD_S
    try:
        while time.monotonic() < deadline:
            if not select.select([controller], [], [], 0.5)[0]:
                continue
            try:
                shown += os.read(controller, 65536).decode(errors="replace")
            except OSError:  # the command has closed its end
                break
            if waiting and waiting[0][0] in shown[since:]:
                since = len(shown)
                os.write(controller, waiting.pop(0)[1].encode())
        process.wait(GUARD_S)
    finally:
        process.kill()
        os.close(controller)
    assert not waiting, f"never shown: {waiting[0][0]!r}\n{shown}"
    return process.returncode, shown


@pytest.fixture(scope="module")
def rehearsed_once(tmp_path_factory):
    from abx.evidence.results import analyse_panel, export_panel
    from abx.session.panels import rehearse
    from abx.sound.stimuli import render
    from abx.study.workspace import Workspace

    workspace = Workspace(write_study(tmp_path_factory.mktemp("terminal") / "study"))
    render(workspace)
    rehearse(workspace, n_listeners=4, seed=1)
    export_panel(workspace, workspace.rehearsal)
    analyse_panel(workspace, workspace.rehearsal)
    return workspace.root


@pytest.fixture
def rehearsed(rehearsed_once, tmp_path):
    return Path(shutil.copytree(rehearsed_once, tmp_path / "study"))


def test_colour_and_a_bar_at_a_terminal_only(rehearsed, earwitness):
    code, shown = at_terminal("plan", rehearsed, *FEW, env={"NO_COLOR": ""})
    assert code == 0, shown
    plain_env = {k: v for k, v in os.environ.items() if k != "NO_COLOR"}
    assert "[####" in shown
    without = subprocess.run(
        [sys.executable, "-m", "abx.cli", "plan", str(rehearsed), *FEW],
        capture_output=True,
        text=True,
        env=plain_env,
        check=True,
    ).stdout
    assert "\x1b" not in without
    assert "[####" not in without
    assert "Working out what it can find: done in" in without


def test_ctrl_c_while_a_plan_is_refined_keeps_what_is_there(rehearsed):
    options = ("--studies", "1000000")
    code, shown = at_terminal("plan", rehearsed, *options, interrupt_at="1,000,000 studies")
    assert code == 0, shown
    first, again = re.findall(r"can find, by ([\d,]+) simulated studies", shown)
    assert first == "400"
    assert int(again.replace(",", "")) >= 400
    assert "listeners can tell after from before" in shown
    assert "Traceback" not in shown
    assert "Next: earwitness simulate" in shown


def test_no_color_is_respected_at_a_terminal(rehearsed, monkeypatch):
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert COLOUR.search(at_terminal("plan", rehearsed, *FEW)[1])
    code, shown = at_terminal("plan", rehearsed, *FEW, env={"NO_COLOR": "1"})
    assert code == 0, shown
    assert not COLOUR.search(shown)


@pytest.mark.parametrize("place", ["before", "after"])
def test_quiet_prints_results_only_wherever_it_stands(rehearsed, place):
    args = ["-q", "plan", rehearsed] if place == "before" else ["plan", rehearsed, "--quiet"]
    code, shown = at_terminal(*args, *FEW)
    assert code == 0, shown
    assert "each listener: 4 abx" in shown
    assert "Next:" not in shown
    assert "[####" not in shown


@pytest.mark.parametrize(
    ("command", "result"),
    [
        (["plan", *FEW], "each listener"),
        (["simulate", "--listeners", "2"], "Simulated answers are in"),
        (["render"], "4 stimuli in"),
        (["export", "--rehearsal"], "answered trials in"),
        (["report", "--rehearsal"], "Report: "),
        (["verify", "--rehearsal"], "Every check holds."),
        (["passphrase", "--new", "seven quiet foxes"], "The passphrase is set."),
    ],
)
def test_quiet_still_says_what_came_out(rehearsed, call, command, result):
    name, *options = command
    outcome = call("--quiet", name, rehearsed, *options)
    assert outcome.code == 0, outcome
    assert result in outcome.out
    assert "Next" not in outcome.out
    assert "..." not in outcome.out


def test_new_explains_asks_and_asks_again(tmp_path):
    keys = [
        ("Title", "\n"),
        ("Stages", "Untouched, Ceiling\n"),
        ("Stages", "untouched, ceiling\n"),
        ("positions", "\n"),
        ("listeners", "a few\n"),
        ("listeners", "7\n"),
    ]
    code, shown = at_terminal("new", tmp_path / "a-job", keys=keys)
    assert code == 0, shown
    assert "A study compares stages" in shown
    assert "'Untouched' cannot be used" in shown
    assert "'a few' is not a whole number" in shown
    assert f"earwitness measure {tmp_path / 'a-job/responses/untouched'} --positions 3" in shown
    text = (tmp_path / "a-job/study.toml").read_text()
    assert 'title = "A job"' in text
    assert "listeners = 7" in text
    assert 'responses = ["responses/ceiling-p1.csv", "responses/ceiling-p2.csv"' in text


def test_new_asks_nothing_that_was_said(tmp_path):
    code, shown = at_terminal(
        *("new", tmp_path / "job", "--title", "T", "--stage", "a", "--stage", "b"),
        *("--positions", "1", "--listeners", "5"),
    )
    assert code == 0, shown
    assert "[" not in shown.split("Study file")[0]


def content(folder):
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    kept = [p for p in files if not p.name.endswith(("-wal", "-shm"))]
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).digest() for p in kept}


@pytest.mark.parametrize(
    ("command", "label"),
    [
        (["render"], "filter for"),
        (["simulate"], "simulated listeners"),
        (["report", "--rehearsal"], "Writing the report"),
        (["verify", "--rehearsal"], "Re-checking"),
        (["export", "--rehearsal", "--bundle", "{tmp}/e.zip"], "Writing the evidence bundle"),
    ],
)
def test_ctrl_c_loses_nothing_and_the_command_can_be_run_again(
    rehearsed, call, tmp_path, command, label
):
    name, *options = (part.format(tmp=tmp_path) for part in command)
    before = content(rehearsed)
    code, shown = at_terminal(name, rehearsed, *options, interrupt_at=label)
    assert code == 130, shown
    assert "Stopped. Run the same command again to go on." in shown
    assert "Traceback" not in shown
    after = content(rehearsed)
    tables = ("trials", "stages", "programmes")
    kept = before.keys() - {f"rehearsal/results/{name}.csv" for name in tables}
    assert {name: after.get(name) for name in kept} == {name: before[name] for name in kept}
    left = [p.name for p in rehearsed.iterdir() if p.name.startswith(".")]
    assert left == [], "an unfinished folder was left behind"
    if name in ("render", "simulate"):
        assert call(name, rehearsed, *options).code == 0


def test_a_stopped_demonstration_can_be_run_again(tmp_path):
    from abx.demo.build import build_demo

    def stop(done, _total, _what):
        if done == 1:
            raise KeyboardInterrupt("stopped")

    for _ in range(2):  # the second meets what the first left
        with pytest.raises(KeyboardInterrupt, match="stopped"):
            build_demo(tmp_path / "demo", listeners=4, progress=stop)
    assert (tmp_path / "demo/study.toml").is_file()


def test_the_log_has_every_step_and_no_secret(rehearsed, earwitness, tmp_path):
    log = tmp_path / "log.txt"
    assert earwitness("-q", "--log", log, "plan", rehearsed, *FEW).code == 0
    assert earwitness("passphrase", rehearsed, "--log", log, "--new", "seven quiet foxes").code == 0
    refused = earwitness("report", rehearsed, "--log", log)
    assert refused.code == 2
    text = log.read_text()
    for words in (
        ": plan, in",
        "Working out what it can find",
        "each listener: 4 abx",
        "The passphrase is set.",
        "ERROR earwitness",
        "no answered trials yet",
        "ended with exit code 2",
    ):
        assert words in text, words
    assert "seven quiet foxes" not in text
    assert "Working out" not in refused.out


def test_a_log_that_cannot_be_written_is_said(rehearsed, call, tmp_path):
    outcome = call("plan", rehearsed, "--log", tmp_path / "nowhere" / "log.txt")
    assert outcome.code == 2
    assert "--log" in outcome.err
    assert "No such file or directory" in outcome.err


@pytest.mark.parametrize(
    ("command", "words"),
    [(["close"], "add --yes"), (["passphrase"], "with --new"), (["booth"], "terminal")],
)
def test_without_a_terminal_a_question_is_no_trap(rehearsed, earwitness, command, words):
    outcome = earwitness(*command, rehearsed, stdin="")
    assert outcome.code == 2
    assert words in outcome.err
    assert "Warning" not in outcome.err
    assert "Traceback" not in outcome.err


def test_output_cut_short_by_head_is_no_fault():
    line = f"{sys.executable} -m abx.cli completion bash | head -1"
    done = subprocess.run(["bash", "-c", line], capture_output=True, text=True, check=True)
    assert "Traceback" not in done.stderr
    assert "unexpected" not in done.stderr


#: What a study lacks, the command that meets it, and the command that the message names.
NEXT = [
    ("no-study", ["plan"], "earwitness new"),
    ("no-tables", ["plan"], "earwitness measure"),
    ("no-stimuli", ["simulate"], "earwitness render"),
    ("no-stimuli", ["serve"], "earwitness render"),
    ("no-rehearsal", ["report", "--rehearsal"], "earwitness simulate"),
    ("no-rehearsal", ["report"], "earwitness serve"),
    ("no-rehearsal", ["close", "--yes"], "earwitness serve"),
    ("no-rehearsal", ["export"], "earwitness serve"),
    ("open", ["report"], "earwitness close"),
    ("open", ["export", "--bundle"], "earwitness close"),
]


@pytest.fixture(scope="module")
def states(rehearsed_once, tmp_path_factory):
    """Study folders, each one step behind."""
    from abx.session.panels import open_sessions
    from abx.study.workspace import Workspace
    from abx.study_file.scaffold import write_scaffold

    folder = tmp_path_factory.mktemp("states")
    (folder / "no-study").mkdir()
    write_scaffold(folder / "no-tables", title="T", stages=("a", "b"), listeners=4)
    write_study(folder / "no-stimuli")
    ignored = shutil.ignore_patterns("rehearsal")
    for name in ("no-rehearsal", "open"):
        shutil.copytree(rehearsed_once, folder / name, ignore=ignored)
    workspace = Workspace(folder / "open")
    sessions = open_sessions(workspace, workspace.live, create=True)
    token = sessions.begin(consent=True, hearing="", output="")
    trial = sessions.next_trial(token)
    for _ in range(2):  # practice, and one that counts
        heard = dict.fromkeys(trial["versions"], 2.0)
        trial = sessions.record_answer(token, trial["trial"], "a", listened_s=heard).next
    sessions.store.close()
    return folder


@pytest.mark.parametrize(("state", "command", "suggested"), NEXT)
def test_an_error_names_the_next_command(states, call, state, command, suggested):
    name, *options = command
    outcome = call(name, states / state, *options)
    assert outcome.code in (1, 2), outcome
    assert suggested in outcome.err
    assert outcome.err.count("\n") == 1


def test_a_missing_bundle_is_called_missing(call, tmp_path):
    outcome = call("verify", tmp_path / "evidence.zip")
    assert outcome.code == 2
    assert "evidence.zip: not found" in outcome.err
