"""The command answers in words, and with the right exit code."""

import re
import subprocess
import sys

import pytest

from abx.cli import COMMANDS

# What must exist by these names; the project's design fixes them.
FIXED = "demo new measure render plan serve simulate export analyse report verify".split()


def test_help_lists_every_command_in_working_order(earwitness):
    outcome = earwitness("--help")
    assert outcome.code == 0
    listed = re.findall(r"^  ([a-z]+)  ", outcome.out.split("Commands:")[1], re.MULTILINE)
    assert listed == list(COMMANDS)
    assert set(FIXED) <= set(listed)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself(earwitness, name):
    outcome = earwitness(name, "--help")
    assert outcome.code == 0
    assert outcome.out.startswith("Usage: earwitness")
    assert len(outcome.out.split("Options:")[0].split()) > 10


@pytest.mark.parametrize("name", COMMANDS)
def test_the_list_and_the_help_of_a_command_agree_on_its_name(name):
    from importlib import import_module

    assert import_module(COMMANDS[name][0]).command.name == name


def test_help_loads_nothing_heavy():
    probe = "import sys, abx.cli; print(' '.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)
    assert not {"numpy", "scipy", "pandas", "streamlit", "sqlalchemy"} & set(done.stdout.split())


def test_a_mistyped_command_names_the_nearest(earwitness):
    outcome = earwitness("anaylse")
    assert outcome.code == 2
    assert "Did you mean 'analyse'?" in outcome.err
    assert "Traceback" not in outcome.err


def test_a_mistyped_option_is_usage(earwitness):
    outcome = earwitness("render", "--fast")
    assert outcome.code == 2
    assert "--fast" in outcome.err


def test_version(earwitness):
    outcome = earwitness("--version")
    assert outcome.code == 0
    assert re.fullmatch(r"earwitness \d+\.\d+\.\d+\n", outcome.out)


def test_no_escape_codes_without_a_terminal(earwitness):
    assert "\x1b" not in earwitness("--help").out


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_is_offered_for_the_usual_shells(earwitness, shell):
    outcome = earwitness("completion", shell)
    assert outcome.code == 0
    assert "_EARWITNESS_COMPLETE" in outcome.out


def test_completion_completes_a_command(earwitness):
    env = {
        "_EARWITNESS_COMPLETE": "bash_complete",
        "COMP_WORDS": "earwitness ve",
        "COMP_CWORD": "1",
    }
    assert earwitness(env=env).out.split() == ["plain,verify"]
