"""Every command in the documentation runs, page by page, against the real program.

A page's ``sh`` blocks run in order in a folder of the page's own, where the demonstration that
the tutorials begin with already lies. Blocks with a file name as caption are saved first. A
server is started, asked for its page, and stopped.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import subprocess
from collections.abc import Callable
from pathlib import Path

import httpx
import numpy as np
import pytest
import soundfile
from _pytest.mark import ParameterSet

from helpers.docs_pages import DOCS, Block, blocks, pages
from helpers.docs_people import answer_as_people
from helpers.docs_shell import DEMO, environment, run, run_at_keyboard
from helpers.guards import GUARD_S, wait_until

_PORT = re.compile(r" --port \d+")
_SERVER = re.compile(r"earwitness (serve|desk)|uvicorn --factory")
# A server that Ctrl-C reached while it was busy says so like any other command.
_STOPPED = (0, 130)


def _name(page: Path) -> str:
    return page.relative_to(DOCS).as_posix()


def _with_commands() -> list[Path]:
    return [page for page in pages() if any(block.kind == "sh" for block in blocks(page))]


def _needs(page: Path, fixture: str) -> bool:
    return any(b.kind == "sh" and re.search(NEEDED[fixture], b.text) for b in blocks(page))


def _link_or_copy(source: str, target: str) -> None:
    # Sound is replaced as a whole file, never written into, so a link serves.
    if source.endswith((".flac", ".wav")):
        os.link(source, target)
    else:
        shutil.copy2(source, target)


def _bring_recordings(folder: Path) -> None:
    """Pink noise as a reader records it: two positions, then the silent room."""
    rng = np.random.default_rng(3)
    (folder / "recordings").mkdir()
    for name, level in (("port-bench", 0.05), ("starboard-bench", 0.05), ("silence", 0.0002)):
        spectrum = np.fft.rfft(rng.standard_normal(10 * 48_000))
        spectrum /= np.sqrt(np.maximum(np.arange(spectrum.size), 20.0))
        noise = np.fft.irfft(spectrum)
        noise *= level / noise.std()
        soundfile.write(folder / "recordings" / f"{name}.wav", noise, 48_000, subtype="PCM_24")


#: Files that a page tells its reader to bring.
BROUGHT: dict[str, Callable[[Path], None]] = {"guides/measure.md": _bring_recordings}
#: Fixtures that stand for what the reader has, and the commands that show the need.
NEEDED = {
    "postgres": r"createdb|postgresql",
    "sound_card": r"measure (?!.*--from)|booth|earwitness hear",
}
#: Commands that are answered at the keyboard: what is shown, what is typed then.
TYPED = {
    "earwitness hear": [("very quiet", "\x1b")],
    "earwitness booth": [
        ("I agree to take part", "y\n"),
        ("my hearing is normal", "y\n"),
        ("What plays", "\n"),
        ("Your code", "\n"),
        ("very quiet", "\x1b"),
    ],
}
#: Pages on which people have listened by the time the server stops: study folder, how many.
LISTENED = {"tutorials/shop.md": ("wendlefay", 3), "guides/counter-day.md": ("earwitness-demo", 2)}


def _case(page: Path) -> ParameterSet:
    # Pages share nothing and take longest of all: each may run beside the others.
    marks = [pytest.mark.xdist_group(_name(page))]
    if _needs(page, "sound_card"):
        # Sound in real time needs the machine to itself.
        marks.append(pytest.mark.loopback)
    return pytest.param(page, id=_name(page), marks=marks)


@pytest.mark.parametrize("page", [_case(page) for page in _with_commands()])
def test_commands_run(
    page: Path, demonstration: Path, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    name = _name(page)
    folder = tmp_path / "reader"
    folder.mkdir()
    text = page.read_text(encoding="utf-8")
    if "earwitness-demo" in text:
        target = folder / "earwitness-demo"
        shutil.copytree(demonstration, target, copy_function=_link_or_copy)
    if name in BROUGHT:
        BROUGHT[name](folder)
    extra: dict[str, str] = {}
    for fixture in NEEDED:
        if _needs(page, fixture):
            extra |= request.getfixturevalue(fixture)
    shown = ""
    for block in blocks(page):
        shown += _follow(block, folder, name, extra)
        if block.kind == "text" and shown:
            _look(block, shown, name)


def _look(block: Block, shown: str, page: str) -> None:
    """Hold what a page shows of a command's output against what its commands really said."""
    said = {line.strip() for line in shown.splitlines()}
    missing = [line for line in block.text.splitlines() if line.strip() not in said]
    assert not missing, f"{page}, line {block.line}: never said\n" + "\n".join(missing) + shown


def _follow(block: Block, folder: Path, page: str, extra: dict[str, str]) -> str:
    """Do what a block asks; return what was said."""
    if block.file is not None:
        path = folder / block.file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(block.text, encoding="utf-8")
    elif block.kind == "sh" and _SERVER.search(block.text):
        _serve(block, folder, page, extra)
        if page in LISTENED:
            study, n_people = LISTENED[page]
            answer_as_people(folder / study, n_people)
    elif block.kind == "sh" and (typed := _typed(block.text)) is not None:
        code, shown = run_at_keyboard(block.text, typed, folder, extra)
        assert code == block.exit_code, f"{page}, line {block.line}:\n{shown}"
    elif block.kind == "sh" and block.text.strip() != DEMO:
        done = _run_again_where_told(block.text, folder, extra)
        said = f"{page}, line {block.line}:\n{block.text}\n{done.stdout}\n{done.stderr}"
        assert done.returncode == block.exit_code, said
        return done.stdout
    return ""


def _typed(command: str) -> list[tuple[str, str]] | None:
    return next((keys for start, keys in TYPED.items() if command.startswith(start)), None)


def _run_again_where_told(
    command: str, folder: Path, extra: dict[str, str]
) -> subprocess.CompletedProcess[str]:
    """Take a measurement again where the program says so: the machine may be busy."""
    for _ in range(4):
        done = run(command, folder, extra)
        if "take it again" not in done.stderr:
            break
    return done


def _free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


def _serve(block: Block, folder: Path, page: str, extra: dict[str, str]) -> None:
    port = _free_port()  # the reader's 8610 may be somebody else's here
    command = f"{_PORT.sub('', block.text.strip())} --port {port}"
    log = folder / "server.log"
    with log.open("wb") as output:
        server = subprocess.Popen(
            ["bash", "-euo", "pipefail", "-c", _in_place(command)],
            cwd=folder,
            env=environment(extra),
            stdout=output,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
        )
    try:
        url = f"http://127.0.0.1:{port}"
        _probe(server, url, log)
        if "earwitness desk" not in command:  # nobody listens at the desk
            stranger = httpx.get(f"{url}/listen/no-such-token/next", timeout=GUARD_S)
            assert stranger.status_code == 404
            assert "error" in stranger.json()
    finally:
        server.send_signal(signal.SIGINT)
        server.wait(GUARD_S)
    assert server.returncode in _STOPPED, f"{page}, line {block.line}:\n{log.read_text()}"


def _in_place(command: str) -> str:
    """Let the shell become the server, so that the signal reaches it."""
    return re.sub(r"(?=earwitness (?:serve|desk)|uvicorn)", "exec ", command, count=1)


def _probe(server: subprocess.Popen[bytes], url: str, log: Path) -> None:
    def answers() -> bool:
        assert server.poll() is None, log.read_text()
        try:
            return httpx.get(url, timeout=GUARD_S).is_success
        except httpx.TransportError:
            return False

    wait_until(answers, log.read_text)


def test_no_command_escapes() -> None:
    """Commands stand in ``sh`` blocks only, where they are run."""
    for page in pages():
        for block in blocks(page):
            if block.kind == "sh":
                continue
            assert block.kind not in {"bash", "shell", "console"}, f"{_name(page)}:{block.line}"
            typed = re.search(r"^ *(\$ |earwitness [a-z]+( |$))", block.text, re.MULTILINE)
            assert typed is None or block.file, f"{_name(page)}:{block.line}: {typed}"


def test_every_command_is_shown() -> None:
    """The guides and tutorials use every command at least once."""
    from abx.cli import COMMANDS

    shown = "\n".join(b.text for page in pages() for b in blocks(page) if b.kind == "sh")
    missing = [name for name in COMMANDS if f"earwitness {name}" not in shown]
    assert not missing


def test_the_readme_types_what_the_program_takes() -> None:
    """The README's run needs a sound system and weeks; the same run is walked in the tutorials.

    Here each of its commands is held against the command's own options.
    """
    import shlex

    import click

    from abx.cli import cli

    text = (DOCS.parents[1] / "README.md").read_text(encoding="utf-8")
    typed = re.findall(r"^(?:.*bin/)?earwitness (.+)$", text, re.MULTILINE)
    assert len(typed) >= 12
    for line in typed:
        name, *arguments = shlex.split(line, comments=True)
        command = cli.get_command(click.Context(cli), name)
        assert command is not None, line
        command.make_parser(click.Context(command)).parse_args(arguments)
