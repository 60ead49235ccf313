"""One process: the Streamlit pages and our own routes beside them."""

from __future__ import annotations

import gc
import os
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import streamlit as st
import uvicorn
from starlette.middleware import Middleware
from streamlit import config
from streamlit.runtime.runtime_util import get_max_message_size_bytes

from abx.errors import AbxError, InputError
from abx.session import panels
from abx.session.operators import Operators
from abx.session.sessions import Sessions
from abx.session.spool import spool_from_environment
from abx.study.workspace import Workspace
from abx.web.pages import SCRIPT, STREAMLIT_OPTIONS, Context, provide
from abx.web.pages.host_config import NoErrorDialogs
from abx.web.routes import PlainReplies, make_routes

__all__ = [
    "app_from_environment",
    "create_app",
    "current",
    "operators",
    "serve",
    "use",
    "workspace_root",
]

_SHUTDOWN_S = 3
"""Open websockets of pages do not hold up a stop for longer."""

# No page of a running study takes files; only the study desk does.
_NO_UPLOADS = {"server.maxUploadSize": 1}

_lock = threading.Lock()
_current: tuple[Sessions, Path] | None = None


def use(sessions: Sessions, root: str | Path) -> None:
    """Make a service layer the one that pages and routes of this process work with."""
    global _current
    with _lock:
        _current = (sessions, Path(root))


def _served() -> tuple[Sessions, Path]:
    if _current is None:
        raise AbxError("No study is being served; start one with 'earwitness serve'.")
    return _current


def current() -> Sessions:
    """Return the service layer of this process, for the pages.

    Raises
    ------
    AbxError
        If no study is being served.
    """
    return _served()[0]


def workspace_root() -> Path:
    """Return the study folder being served.

    Raises
    ------
    AbxError
        If no study is being served.
    """
    return _served()[1]


def operators() -> Operators:
    """Return the staff passphrase of the study being served."""
    return Operators(current().store)


def open_sessions(workspace_dir: str | Path, *, database: str | None = None) -> Sessions:
    """Open study, stimuli and store of a study folder.

    Parameters
    ----------
    workspace_dir : str or Path
        The study folder.
    database : str, optional
        Database URL; ``earwitness.db`` in the folder when omitted.

    Raises
    ------
    InputError
        If the study file or the manifest is wrong or missing.
    StoreError, StudyChanged
        As :func:`abx.store.open_store` and :class:`abx.session.sessions.Sessions`.
    """
    workspace = Workspace.open(workspace_dir)
    return panels.open_sessions(workspace, workspace.live, database=database, create=True)


def create_app(workspace_dir: str | Path, *, database: str | None = None) -> Any:
    """Make the ASGI application of a study.

    Parameters
    ----------
    workspace_dir : str or Path
        The study folder.
    database : str, optional
        Database URL; SQLite in the folder when omitted.

    Returns
    -------
    streamlit.starlette.App
        Runs under any ASGI server, for instance uvicorn, or by its own ``run``.

    Raises
    ------
    InputError, StoreError, StudyChanged
        As :func:`open_sessions`.
    """
    sessions = open_sessions(workspace_dir, database=database)
    use(sessions, workspace_dir)
    provide(Context(sessions=sessions, title=sessions.study.title))

    @asynccontextmanager
    async def lifespan(_app: Any) -> AsyncIterator[dict[str, Any]]:
        # What is there by now stays: garbage collection, which the pages ask for at each run,
        # would look through all of it while everybody's answers wait.
        gc.collect()
        gc.freeze()
        try:
            yield {}
        finally:
            gc.unfreeze()
            sessions.store.close()

    return st.App(
        SCRIPT,
        routes=make_routes(current, spool=spool_from_environment()),
        lifespan=lifespan,
        middleware=[Middleware(NoErrorDialogs), Middleware(PlainReplies)],
    )


def app_from_environment() -> Any:
    r"""Make the application for a server that starts several processes.

    The study folder comes from ``EARWITNESS_STUDY``, the database from ``EARWITNESS_DATABASE``
    (SQLite in the folder when unset). For instance, one process of three behind a proxy that
    keeps each listener on one process::

        EARWITNESS_STUDY=study EARWITNESS_DATABASE=postgresql://user@host/name \
            uvicorn --factory abx.web.server:app_from_environment --port 8611

    Raises
    ------
    InputError
        If ``EARWITNESS_STUDY`` is not set, or as :func:`create_app`.
    """
    root = os.environ.get("EARWITNESS_STUDY")
    if not root:
        raise InputError(
            where="EARWITNESS_STUDY",
            problem="the variable is not set",
            remedy="set it to the study folder",
        )
    _configure(**_NO_UPLOADS)
    return create_app(root, database=os.environ.get("EARWITNESS_DATABASE"))


def _configure(**options: object) -> None:
    """Give the pages their configuration; without it the browser would send usage statistics."""
    config.get_config_options(
        force_reparse=True, options_from_flags={**STREAMLIT_OPTIONS, **options}
    )


def serve(
    workspace_dir: str | Path,
    host: str = "127.0.0.1",
    port: int = 8610,
    database: str | None = None,
) -> None:
    """Serve a study until interrupted.

    Parameters
    ----------
    workspace_dir : str or Path
        The study folder.
    host : str, optional
        Address to listen on; only this machine unless told otherwise. Put a proxy with TLS in
        front before listening on anything else.
    port : int, optional
        TCP port.
    database : str, optional
        Database URL; SQLite in the folder when omitted.
    """
    _configure(**{"server.address": host, "server.port": port, **_NO_UPLOADS})
    # The pages' own way to run leaves small replies waiting some 40 ms for the client's
    # delayed acknowledgement: its sockets have no TCP_NODELAY. Addresses hold tokens and are
    # not logged.
    uvicorn.run(
        create_app(workspace_dir, database=database),
        host=host,
        port=port,
        access_log=False,
        log_level="warning",
        timeout_graceful_shutdown=_SHUTDOWN_S,
        **_websocket_options(),
    )


def _websocket_options() -> dict[str, Any]:
    """Return what the pages' websocket needs: large messages, the newer protocol code."""
    return {"ws": "websockets-sansio", "ws_max_size": get_max_message_size_bytes()}
