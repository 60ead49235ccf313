"""The page around the player is told to open no dialog; every other reply passes unchanged."""

from __future__ import annotations

import asyncio

import httpx
import pytest
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import JSONResponse
from starlette.routing import Route

from abx.web.pages.host_config import NoErrorDialogs

LONG = [f"https://shop-{n}.example" for n in range(200)]


def reply(_request: Request) -> JSONResponse:
    return JSONResponse({"allowedOrigins": LONG, "blockErrorDialogs": False})


def refuse(_request: Request) -> JSONResponse:
    return JSONResponse({"error": "no"}, status_code=503)


def get(path: str) -> httpx.Response:
    app = Starlette(
        routes=[
            Route("/_stcore/host-config", reply),
            Route("/shop/_stcore/host-config", refuse),
            Route("/other", reply),
        ],
        middleware=[Middleware(NoErrorDialogs), Middleware(GZipMiddleware, minimum_size=10)],
    )

    async def ask() -> httpx.Response:
        transport = httpx.ASGITransport(app=app)
        async with httpx.AsyncClient(transport=transport, base_url="http://page") as client:
            return await client.get(path, headers={"Accept-Encoding": "gzip"})

    return asyncio.run(ask())


def test_dialogs_are_blocked_and_the_rest_is_kept() -> None:
    found = get("/_stcore/host-config")
    assert found.json() == {"allowedOrigins": LONG, "blockErrorDialogs": True}
    assert int(found.headers["content-length"]) == len(found.content)


@pytest.mark.parametrize("path", ["/other", "/shop/_stcore/host-config"])
def test_other_replies_pass_unchanged(path: str) -> None:
    found = get(path)
    assert found.json().get("blockErrorDialogs") in (False, None)
