"""A real HTTP server in a thread, for tests of the routes."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import uvicorn

from helpers.guards import GUARD_S, wait_until

__all__ = ["running"]


@contextmanager
def running(app: Any) -> Iterator[str]:
    """Serve an ASGI application on a free port of this machine; yields its URL."""
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    config = uvicorn.Config(app, log_level="error", lifespan="on")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, args=([listener],))
    thread.start()
    try:
        wait_until(lambda: _started(server, thread), "the server did not start")
        yield f"http://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(GUARD_S)
        listener.close()


def _started(server: uvicorn.Server, thread: threading.Thread) -> bool:
    assert thread.is_alive(), "the server ended before it started"
    return server.started


def answer_body(message: dict[str, Any], answer: str = "a") -> dict[str, Any]:
    return {
        "trial": message["trial"],
        "answer": answer,
        "response_s": 12.3,
        "switches": 7,
        "listened_s": dict.fromkeys(message["versions"], 3.0),
    }
