"""Work cut into cells, done on all cores, with the same result on any number of them.

The helpers are plain ``python`` processes that read cells from a pipe. :mod:`multiprocessing` would
not do: its spawned processes run the caller's main script again, which inside Streamlit's server is
a page; forking a server with threads may hang; and both hand Ctrl-C on to the helpers, which then
print their own tracebacks. These helpers import the function's module and nothing else, stand
outside the terminal's group, and end when their pipe does, however the caller came to its end.
"""

from __future__ import annotations

import os
import pickle
import queue
import signal
import subprocess
import sys
import traceback
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext, suppress
from threading import Lock, Thread
from types import TracebackType
from typing import Any, TypeVar

import numpy as np

__all__ = ["Workers", "cell_generator", "count_cores", "crew_of", "map_cells"]

CellT = TypeVar("CellT")
ResultT = TypeVar("ResultT")

_BOOT = (
    "import pickle, sys; sys.path[:] = pickle.load(sys.stdin.buffer); "
    "from analysis.models.cells import serve; serve()"
)
#: Seconds between looks at the keyboard while waiting; on Windows a lock cannot be interrupted.
_GLANCE_S = 0.2


def count_cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def cell_generator(seed: int, index: int) -> np.random.Generator:
    """Return the generator of one cell, which depends on nothing but these two numbers."""
    return np.random.default_rng([seed, index])


def map_cells(
    function: Callable[[CellT, np.random.Generator], ResultT],
    cells: Sequence[CellT],
    *,
    seed: int = 1,
    start: int = 0,
    processes: int | None = None,
    workers: Workers | None = None,
) -> Generator[ResultT, None, None]:
    """Apply a function to every cell on all cores and yield the results in the order of the cells.

    The calling process works as well; helpers join it once they have started. A caller who stops
    early, or is interrupted, keeps what was yielded until then.

    Parameters
    ----------
    function : callable
        ``function(cell, rng)``. It and what it holds must be picklable and come from a module
        that can be imported; functions of ``__main__`` are run by this process alone.
    cells : sequence
        Picklable.
    seed : int, optional
        With the index of a cell the seed of its generator.
    start : int, optional
        Index of the first cell: a later call goes on where an earlier one ended.
    processes : int, optional
        Processes in all; as many as there are cores when not given.
    workers : Workers, optional
        Helpers that have been started already, which stay.

    Yields
    ------
    object
        Result of each cell.

    Raises
    ------
    Exception
        Whatever the function raises, from the first cell in which it was noticed.
    """
    with crew_of(workers, processes) as crew:
        yield from crew.run(_CellJob(function, list(cells), seed, start))


def crew_of(
    workers: Workers | None, processes: int | None = None
) -> AbstractContextManager[Workers]:
    """Return workers to use in a ``with``: those of the caller, which stay, or new ones."""
    return Workers(processes) if workers is None else nullcontext(workers)


class _CellJob:
    """Cells that wait, are being worked on, or have come back."""

    def __init__(
        self, function: Callable[..., Any], cells: Sequence[Any], seed: int, start: int
    ) -> None:
        self.function, self.cells, self.seed, self.start = function, cells, seed, start
        self.back: queue.SimpleQueue[tuple[str, int, Any]] = queue.SimpleQueue()
        self._left = deque(range(len(cells)))
        self._lock = Lock()

    def take(self) -> int | None:
        """Return the next cell that nobody works on."""
        with self._lock:
            return self._left.popleft() if self._left else None

    def stop(self) -> None:
        """Let nobody begin another cell."""
        with self._lock:
            self._left.clear()

    def work(self, place: int) -> Any:
        """Do one cell here."""
        return self.function(self.cells[place], cell_generator(self.seed, self.start + place))

    def message(self, place: int) -> tuple[Any, int, int]:
        """Return what a helper has to know of one cell."""
        return self.cells[place], self.seed, self.start + place


class _Helper:
    """One process and its pipes."""

    def __init__(self) -> None:
        env = dict(os.environ)
        # Many small systems: threads of linear algebra would only wait for one another.
        env |= dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
        alone: dict[str, Any] = {"start_new_session": True}
        if sys.platform == "win32":
            flags = subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.CREATE_NO_WINDOW
            alone = {"creationflags": flags}
        self._process = subprocess.Popen(
            [sys.executable, "-c", _BOOT],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=env,
            **alone,
        )
        self._waiting = pickle.dumps(sys.path)
        self._lock = Lock()

    def follow(self, job: _CellJob, function: bytes) -> None:
        """Work on cells of a job until none is left, the job stops, or the process is gone."""
        with self._lock:
            place = None
            try:
                self._send(function)
                self._receive()  # ready; starting takes as long as many cells
                while (place := job.take()) is not None:
                    self._send(pickle.dumps(job.message(place)))
                    kind, value = self._receive()
                    job.back.put((kind, place, value))
            except Exception:
                # Ended, by us or by want of memory, or the cell cannot be sent: the calling
                # process does it itself, and there meets whatever is wrong with it.
                self.close()
                if place is not None:
                    job.back.put(("lost", place, None))

    def _send(self, message: bytes) -> None:
        assert self._process.stdin is not None
        # Bytes within a pickle: one that cannot be read leaves the next one whole.
        self._process.stdin.write(self._waiting + pickle.dumps(message))
        self._process.stdin.flush()
        self._waiting = b""

    def _receive(self) -> Any:
        assert self._process.stdout is not None
        return pickle.load(self._process.stdout)

    @property
    def alive(self) -> bool:
        """Whether the process is there."""
        return self._process.poll() is None

    def close(self) -> None:
        """End the process, whatever it is at."""
        self._process.kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with suppress(OSError, ValueError):
                    pipe.close()


class Workers:
    """Helpers on the other cores, started when there is work and kept until closed.

    Parameters
    ----------
    processes : int, optional
        Processes in all that work; as many as there are cores when not given.
    apart : bool, optional
        Leave the work to helpers, so that the calling process stays free to answer others. It
        works itself only where no helper can.
    """

    def __init__(self, processes: int | None = None, *, apart: bool = False) -> None:
        working = count_cores() if processes is None else processes
        self._apart = apart
        self._wanted = max(0, working if apart else working - 1)
        self._helpers: list[_Helper] = []

    def __enter__(self) -> Workers:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """End all helpers."""
        while self._helpers:
            self._helpers.pop().close()

    def run(self, job: _CellJob) -> Iterator[Any]:
        """Yield the results of a job in order; see :func:`map_cells`."""
        sent = self._send_out(job)
        try:
            yield from _collected(job, sent if self._apart else ())
        except GeneratorExit:
            raise
        except BaseException:
            self.close()
            raise
        finally:
            job.stop()

    def _send_out(self, job: _CellJob) -> Sequence[_Helper]:
        """Start helpers on a job, none where one process is enough or all that can do it."""
        if len(job.cells) < 2 or not sys.executable or _is_main(job.function):
            return ()
        function = pickle.dumps(job.function)
        self._helpers = [helper for helper in self._helpers if helper.alive]
        while len(self._helpers) < self._wanted:
            self._helpers.append(_Helper())
        for helper in self._helpers:
            Thread(target=helper.follow, args=(job, function), daemon=True).start()
        return tuple(self._helpers)


def _is_main(function: Callable[..., Any]) -> bool:
    owner = function if hasattr(function, "__qualname__") else type(function)
    return owner.__module__ == "__main__"


def _collected(job: _CellJob, left_to: Sequence[_Helper] = ()) -> Iterator[Any]:
    """Yield the results in order; work as well, unless there are helpers to leave it to."""
    kept: dict[int, Any] = {}
    wanted = 0
    while wanted < len(job.cells):
        place = None if any(helper.alive for helper in left_to) else job.take()
        if place is not None:
            kept[place] = job.work(place)
        for kind, there, value in _arrived(job, wait=place is None and wanted not in kept):
            if kind == "error":
                raise value
            kept[there] = job.work(there) if kind == "lost" else value
        while wanted in kept:
            yield kept.pop(wanted)
            wanted += 1


def _arrived(job: _CellJob, *, wait: bool) -> Iterator[tuple[str, int, Any]]:
    """Yield what helpers have sent; where nothing else is to be done, wait for it a moment."""
    while True:
        try:
            yield job.back.get(timeout=_GLANCE_S) if wait else job.back.get_nowait()
        except queue.Empty:
            return
        wait = False


def serve() -> None:
    """Work on cells from the standard input until it ends; what a helper process runs."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    requests = sys.stdin.buffer
    replies = os.fdopen(os.dup(1), "wb")
    # What a function prints must not get between the replies.
    with open(os.devnull, "w") as nowhere:
        os.dup2(nowhere.fileno() if sys.stderr is None else 2, 1)
    function: Callable[..., Any] = _Unusable(RuntimeError("no function came"))
    while True:
        try:
            request = pickle.load(requests)
        except EOFError:
            return
        message = _loaded(request)
        reply: object = "ready"
        if callable(message):
            function = message
        else:
            reply = _answer(function, *message)
        pickle.dump(reply, replies)
        replies.flush()


def _loaded(request: bytes) -> Any:
    try:
        return pickle.loads(request)
    except Exception as error:
        return _Unusable(error)  # its first cell brings the reason home


class _Unusable:
    """Stands for a function that could not be loaded."""

    def __init__(self, error: Exception) -> None:
        self._error = error

    def __call__(self, cell: Any, rng: np.random.Generator) -> Any:
        raise self._error


def _answer(function: Callable[..., Any], cell: Any, seed: int, index: int) -> tuple[str, Any]:
    try:
        return "done", function(cell, cell_generator(seed, index))
    except Exception as error:
        error.add_note(f"In a helper process:\n{traceback.format_exc()}")
        try:
            pickle.loads(pickle.dumps(error))
        except Exception:
            return "error", RuntimeError(f"{type(error).__name__}: {error}")
        return "error", error
