"""HTTP routes of the trial loop, beside the Streamlit pages and independent of them.

All replies carry ``Cache-Control: no-store``. Errors are ``{"error": sentence}`` with a
sentence a listener can act on. Work that waits for the disk or fills a core runs in threads, so
the event loop stays free for everyone else.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Awaitable, Callable
from typing import Any, TypeVar

from anyio import CapacityLimiter
from anyio.to_thread import run_sync
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from abx.errors import (
    AbxError,
    AnswerRefused,
    Conflict,
    Gone,
    InputError,
    NotFound,
    StoreError,
)
from abx.session.sessions import Acknowledgement, Sessions
from abx.session.spool import Spool

__all__ = ["MAX_BODY_BYTES", "PlainReplies", "make_routes"]

MAX_BODY_BYTES = 16_384
"""Answers are small; larger bodies are refused unread."""

_PIECE_BYTES = 1 << 14
_T = TypeVar("_T")
_Handler = Callable[[Request], Awaitable[Response]]
_log = logging.getLogger(__name__)

_STATUS: tuple[tuple[type[AbxError], int], ...] = (
    (NotFound, 404),
    (Conflict, 409),
    (Gone, 410),
    (AnswerRefused, 422),
)
_HEADERS = {
    "Cache-Control": "no-store",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
}
_STORE_SENTENCE = (
    "Your answer could not be stored just now. Keep this page open and try again; nothing is lost."
)
_FAULT_SENTENCE = "Something went wrong on our side. Please ask the staff for help."


class _TooLarge(AbxError):
    """The body is larger than any answer."""


def make_routes(get_sessions: Callable[[], Sessions], *, spool: Spool | None = None) -> list[Route]:
    """Return the routes of the trial loop.

    Parameters
    ----------
    get_sessions : callable
        Returns the service layer; called for each request.
    spool : Spool, optional
        Where blocks are left for a web server in front to send; see :mod:`abx.session.spool`.
    """
    return _Routes(get_sessions, spool).routes()


class _Routes:
    def __init__(self, get_sessions: Callable[[], Sessions], spool: Spool | None) -> None:
        self._sessions = get_sessions
        self._spool = spool
        # Blobs fill a core each; more at once would only delay the answers of others.
        self._blob_limit: CapacityLimiter | None = None
        self._store_limit: CapacityLimiter | None = None

    def routes(self) -> list[Route]:
        base = "/listen/{token}"
        return [
            Route(f"{base}/next", _guarded(self.next), methods=["GET"]),
            Route(f"{base}/level", _guarded(self.level), methods=["GET"]),
            Route(f"{base}/audio/{{name}}", _guarded(self.audio), methods=["GET"]),
            Route(f"{base}/answer", _guarded(self.answer), methods=["POST"]),
            Route(f"{base}/resume", _guarded(self.resume), methods=["POST"]),
        ]

    async def next(self, request: Request) -> Response:
        token = request.path_params["token"]
        return _json(await self._in_store(lambda: self._sessions().next_trial(token)))

    async def level(self, request: Request) -> Response:
        token = request.path_params["token"]
        return _json(await self._in_store(lambda: self._sessions().level(token)))

    async def resume(self, request: Request) -> Response:
        token = request.path_params["token"]
        return _json(await self._in_store(lambda: self._sessions().resume(token)))

    async def audio(self, request: Request) -> Response:
        token, name = request.path_params["token"], request.path_params["name"]
        if self._blob_limit is None:
            self._blob_limit = CapacityLimiter(2)
        if self._spool is not None:
            place = await run_sync(self._left_for_web_server, token, name, limiter=self._blob_limit)
            headers = {**_HEADERS, "X-Accel-Redirect": place}
            return Response(media_type="application/octet-stream", headers=headers)
        blob = await run_sync(
            lambda: self._sessions().audio_blob(token, name), limiter=self._blob_limit
        )
        return _BlobResponse(blob, media_type="application/octet-stream", headers=_HEADERS)

    def _left_for_web_server(self, token: str, name: str) -> str:
        assert self._spool is not None
        return self._spool.put(self._sessions().audio_blob(token, name))

    async def answer(self, request: Request) -> Response:
        token = request.path_params["token"]
        body = await _read_body(request)
        done = await self._in_store(lambda: _record(self._sessions(), token, body))
        return _json(
            {
                "acknowledged": True,
                "trial": done.trial,
                "feedback": done.feedback,
                "next": done.next,
            }
        )

    async def _in_store(self, work: Callable[[], _T]) -> _T:
        if self._store_limit is None:
            self._store_limit = CapacityLimiter(40)
        return await run_sync(work, limiter=self._store_limit)


class _BlobResponse(Response):
    """Sends a large body in pieces, each when the connection has taken the one before.

    Small pieces let the answers of others through in between: with 50 listeners on a crowded
    machine, 99 % of answers were acknowledged three times sooner than with pieces of 256 KiB.
    """

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await send(
            {
                "type": "http.response.start",
                "status": self.status_code,
                "headers": self.raw_headers,
            }
        )
        body = memoryview(self.body)
        for start in range(0, len(body), _PIECE_BYTES):
            piece = bytes(body[start : start + _PIECE_BYTES])
            await send({"type": "http.response.body", "body": piece, "more_body": True})
        await send({"type": "http.response.body", "body": b"", "more_body": False})


class PlainReplies:
    """ASGI middleware that keeps the trial loop's replies uncompressed.

    The pages' server compresses what a browser lets it. Of a block of sound, that would tell by
    its size what is inside, and keep the event loop from everybody's answers meanwhile.

    Parameters
    ----------
    app : ASGI application
        The pages and the routes of the trial loop.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass everything on, without the wish for compression where it does harm."""
        if scope["type"] == "http" and "/listen/" in scope["path"]:
            kept = [(name, value) for name, value in scope["headers"] if name != b"accept-encoding"]
            scope = {**scope, "headers": kept}
        await self._app(scope, receive, send)


def _record(sessions: Sessions, token: str, body: dict[str, Any]) -> Acknowledgement:
    details = dict(body)
    trial, answer = details.pop("trial", None), details.pop("answer", None)
    return sessions.record_answer(token, trial, answer, **details)


async def _read_body(request: Request) -> dict[str, Any]:
    data = b""
    async for chunk in request.stream():
        data += chunk
        if len(data) > MAX_BODY_BYTES:
            raise _TooLarge("This message is larger than any answer.")
    try:
        body = json.loads(data, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as error:
        raise AnswerRefused("The answer could not be read. Please reload the page.") from error
    if not isinstance(body, dict):
        raise AnswerRefused("The answer could not be read. Please reload the page.")
    return body


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is not a number")


def _json(content: dict[str, Any], status: int = 200) -> JSONResponse:
    return JSONResponse(content, status_code=status, headers=_HEADERS)


def _guarded(handler: _Handler) -> _Handler:
    """Turn errors into replies; anything unforeseen is logged and said in general words."""

    async def guarded(request: Request) -> Response:
        try:
            return await handler(request)
        except _TooLarge as error:
            return _json({"error": str(error)}, 413)
        except StoreError as error:
            _log.warning("the store refused: %s", error)
            return _json({"error": _STORE_SENTENCE}, 503)
        except InputError as error:
            _log.error("a stimulus could not be served: %s", error)
            return _json({"error": _FAULT_SENTENCE}, 500)
        except AbxError as error:
            return _json({"error": str(error)}, _status_of(error))
        except ClientDisconnect:
            return Response(status_code=499)
        except Exception:
            _log.exception("unexpected fault in %s", request.url.path.rsplit("/", 1)[-1])
            return _json({"error": _FAULT_SENTENCE}, 500)

    return guarded


def _status_of(error: AbxError) -> int:
    for kind, status in _STATUS:
        if isinstance(error, kind):
            return status
    return 500
