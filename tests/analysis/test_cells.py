"""Cells on several processes: the same result, and nothing left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import pytest

from analysis.models.cells import Workers, cell_generator, count_cores, map_cells
from helpers import cell_work


@pytest.fixture(scope="module")
def two() -> Iterator[Workers]:
    with Workers(2) as workers:
        pids: set[int] = set()
        while len(pids) < 2:  # helpers take a moment to start; from here on they are there
            cells = map_cells(cell_work.draw_slowly, range(20), workers=workers)
            pids |= {pid for *_, pid in cells}
        yield workers


def test_results_are_the_same_on_any_number_of_processes(two: Workers) -> None:
    alone = list(map_cells(cell_work.draw, range(40), seed=3, processes=1))
    assert list(map_cells(cell_work.draw, range(40), seed=3, workers=two)) == alone
    assert alone == [(k, cell_generator(3, k).random()) for k in range(40)]
    assert alone != list(map_cells(cell_work.draw, range(40), seed=4, processes=1))


def test_helpers_can_have_all_the_work() -> None:
    with Workers(2, apart=True) as workers:
        cells = list(map_cells(cell_work.draw_slowly, range(30), seed=3, workers=workers))
        assert [(k, number) for k, number, _ in cells] == [
            (k, cell_generator(3, k).random()) for k in range(30)
        ]
        assert os.getpid() not in {pid for *_, pid in cells}
        # One cell alone is not worth sending out.
        assert [k for k, *_ in map_cells(cell_work.draw_slowly, [0], workers=workers)] == [0]


def test_where_the_helpers_are_gone_the_calling_process_works() -> None:
    asking = os.getpid()
    with Workers(2, apart=True) as workers:
        cells = [(k, asking) for k in range(60)]
        assert list(map_cells(cell_work.leave, cells, workers=workers)) == list(range(60))


def test_a_later_call_goes_on_where_an_earlier_one_ended(two: Workers) -> None:
    whole = list(map_cells(cell_work.draw, range(30), workers=two))
    first = list(map_cells(cell_work.draw, range(12), workers=two))
    rest = list(map_cells(cell_work.draw, range(12, 30), start=12, workers=two))
    assert first + rest == whole


@pytest.mark.parametrize("processes", [1, 2])
def test_an_error_comes_home(processes: int, two: Workers) -> None:
    with pytest.raises(LookupError, match="no seven, True"):
        list(map_cells(cell_work.fail, range(60), processes=processes))


def test_who_stops_early_keeps_what_came(two: Workers) -> None:
    cells = map_cells(cell_work.draw_slowly, range(10_000), workers=two)
    assert [cell for cell, *_ in islice(cells, 25)] == list(range(25))
    cells.close()
    assert [cell for cell, _ in map_cells(cell_work.draw, range(5), workers=two)] == list(range(5))


def test_the_cells_of_a_lost_helper_are_done_here() -> None:
    with Workers(2) as workers:
        cells = [(k, os.getpid()) for k in range(150)]
        assert list(map_cells(cell_work.leave, cells, workers=workers)) == list(range(150))


def test_what_cannot_be_sent_back_is_done_here(two: Workers) -> None:
    with Workers(2) as workers:
        made = list(map_cells(cell_work.unpicklable, range(3), workers=workers))
    assert [function() for function in made] == [0, 1, 2]


def test_cells_run_from_a_thread() -> None:
    found: list[tuple[int, float]] = []
    thread = threading.Thread(
        target=lambda: found.extend(map_cells(cell_work.draw, range(20), processes=2))
    )
    thread.start()
    thread.join()
    assert found == list(map_cells(cell_work.draw, range(20), processes=1))


def test_no_cells_no_processes() -> None:
    assert list(map_cells(cell_work.draw, [])) == []
    assert count_cores() >= 1


_SCRIPT = """
import sys
sys.path.insert(0, {here!r})
from analysis.models.cells import map_cells
from helpers import cell_work
print("begun", flush=True)  # where a script has no guard, spawned processes would print it again
found = []
try:
    for cell, *_ in map_cells(cell_work.draw_slowly, range(100_000), processes=2):
        found.append(cell)
        if cell == 5:
            print("five", flush=True)
except KeyboardInterrupt:
    assert found == list(range(len(found)))
    print("kept", len(found) > 5, flush=True)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is sent another way there")
def test_ctrl_c_keeps_what_came_and_leaves_no_process() -> None:
    code = textwrap.dedent(_SCRIPT).format(here=str(Path(__file__).parents[1]))
    started = subprocess.Popen(
        [sys.executable, "-W", "error", "-c", code],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert started.stdout is not None
    assert started.stderr is not None
    assert started.stdout.readline() == "begun\n"
    assert started.stdout.readline() == "five\n"
    os.killpg(started.pid, signal.SIGINT)  # as a terminal does, to the whole group
    out, err = started.communicate(timeout=120)
    assert (out, err, started.returncode) == ("kept True\n", "", 0)


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks into /proc")
def test_helpers_end_with_the_process_that_asked() -> None:
    code = textwrap.dedent(_SCRIPT).format(here=str(Path(__file__).parents[1]))
    started = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert started.stdout is not None
    started.stdout.readline()
    children = Path(f"/proc/{started.pid}/task/{started.pid}/children")
    helpers: list[str] = []
    while not helpers:
        helpers = children.read_text().split()
        time.sleep(0.01)
    started.stdout.readline()
    started.kill()
    started.wait()
    started.stdout.close()
    while any(_runs(pid) for pid in helpers):  # the time limit of the test ends a failure
        time.sleep(0.02)


def _runs(pid: str) -> bool:
    try:
        return "analysis.models.cells" in Path(f"/proc/{pid}/cmdline").read_text()
    except OSError:
        return False
