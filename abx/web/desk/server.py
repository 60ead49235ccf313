"""The desk's own process: its pages, and the sound of the stages for the owner's ears."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import streamlit as st
from anyio.to_thread import run_sync
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from abx.booth.preview import stage_blob
from abx.errors import SHOWN
from abx.study.workspace import Workspace
from abx.study_file.reading import load_study
from abx.web.desk.context import desk_root, use_desk_root
from abx.web.pages.theme import STREAMLIT_OPTIONS

__all__ = ["create_desk", "serve_desk"]

_HEADERS = {"Cache-Control": "no-store"}
_SCRIPT = Path(__file__).with_name("main.py")


def create_desk(root: str | Path) -> Any:
    """Make the ASGI application of the study desk.

    Parameters
    ----------
    root : str or Path
        Study folder; may be empty or missing, the desk can begin a study there.
    """
    use_desk_root(Path(root))
    base = "/listen/desk-{programme}"
    routes = [
        Route(f"{base}/next", _next),
        Route(f"{base}/level", _level),
        Route(f"{base}/audio/{{what}}", _audio),
        Route(f"{base}/answer", _answer, methods=["POST"]),
        Route("/report/{name}", _report),
    ]
    return st.App(_SCRIPT, routes=routes)


def serve_desk(root: str | Path, *, host: str = "127.0.0.1", port: int = 8611) -> None:
    """Serve the desk until interrupted; only to this machine unless told otherwise."""
    options = {**STREAMLIT_OPTIONS, "server.address": host, "server.port": port}
    create_desk(root).run(config=options)


async def _report(request: Request) -> Response:
    """Serve a report of the closed study; nothing else of the folder."""
    name = request.path_params["name"]
    area = Workspace(desk_root()).live
    written = {path.name: path for path in area.results.glob("*.html")}
    if name not in written:
        return JSONResponse({"error": "There is no such report yet."}, 404, _HEADERS)
    return FileResponse(written[name], media_type="text/html", headers=_HEADERS)


async def _next(request: Request) -> Response:
    programme = request.path_params["programme"]
    try:
        study = load_study(Workspace.open(desk_root()))
    except SHOWN as error:
        return JSONResponse({"error": str(error)}, 422, _HEADERS)
    names = [str(number) for number, _ in enumerate(study.stages, start=1)]
    message = {
        "state": "trial",
        "trial": programme,
        "phase": "hear",
        "question": f"Excerpt: {programme}",
        "versions": names,
        "labels": {n: stage.label for n, stage in zip(names, study.stages, strict=True)},
        "answers": [],
        "must_hear": [],
        "audio": f"/listen/desk-{programme}/audio/stages",
    }
    return JSONResponse(message, headers=_HEADERS)


async def _level(request: Request) -> Response:
    programme = request.path_params["programme"]
    audio = f"/listen/desk-{programme}/audio/first"
    message = {"state": "level", "versions": ["level"], "audio": audio}
    return JSONResponse(message, headers=_HEADERS)


async def _answer(request: Request) -> Response:
    done = {"state": "done", "title": "Heard", "message": "Choose an excerpt to hear more."}
    reply = {"acknowledged": True, "trial": "", "feedback": None, "next": done}
    return JSONResponse(reply, headers=_HEADERS)


async def _audio(request: Request) -> Response:
    programme, what = request.path_params["programme"], request.path_params["what"]
    try:
        workspace, first_only = Workspace.open(desk_root()), what == "first"
        blob = await run_sync(lambda: stage_blob(workspace, programme, first_only=first_only))
    except (*SHOWN, KeyError) as error:
        return JSONResponse({"error": str(error)}, 404, _HEADERS)
    return Response(blob, media_type="application/octet-stream", headers=_HEADERS)
