"""Keep the page around the player quiet when its own connection drops.

The page asks for its host configuration when it connects. With ``blockErrorDialogs`` it opens
no dialog when the server is away: a dialog would make everything behind it inert and swallow
the next touch, although the session needs nothing from that connection and says itself when
the server cannot be reached.
"""

from __future__ import annotations

import json

from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["NoErrorDialogs"]

_PATH = "/_stcore/host-config"


class NoErrorDialogs:
    """ASGI middleware that sets ``blockErrorDialogs`` in the page's host configuration.

    Parameters
    ----------
    app : ASGI application
        The pages and their own routes.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass everything on; rewrite that one reply."""
        if scope["type"] != "http" or not scope["path"].endswith(_PATH):
            await self._app(scope, receive, send)
            return
        # A long reply would come compressed, and could not be read here.
        headers = [(name, value) for name, value in scope["headers"] if name != b"accept-encoding"]
        await self._app({**scope, "headers": headers}, receive, _Rewriting(send))


class _Rewriting:
    """Holds a JSON reply back until it is whole, then sends it changed."""

    def __init__(self, send: Send) -> None:
        self._send = send
        self._start: Message | None = None
        self._body = b""

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self._start = message
            return
        self._body += message.get("body", b"")
        if message.get("more_body") or self._start is None:
            return
        body = self._body
        if self._start["status"] == 200:
            body = json.dumps(json.loads(body) | {"blockErrorDialogs": True}).encode()
        headers = [(k, v) for k, v in self._start["headers"] if k.lower() != b"content-length"]
        headers.append((b"content-length", str(len(body)).encode()))
        await self._send({**self._start, "headers": headers})
        await self._send({"type": "http.response.body", "body": body})
