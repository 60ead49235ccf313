"""What one listener's tab does on the wire, cheap enough to run hundreds on one core.

The page's websocket is opened and its script run once, as a browser does; then the trial loop
over kept-alive HTTP: next trial, its audio block, an answer after 1 to 3 seconds. Audio is counted
and thrown away, which costs a fraction of what a browser does with it.
"""

from __future__ import annotations

import asyncio
import json
import time
from dataclasses import dataclass, field
from random import Random

from websockets.asyncio.client import ClientConnection, connect

__all__ = ["Tab", "Wire"]

_AS_BROWSERS_SEND = "Accept: */*\r\nAccept-Encoding: gzip, deflate, br, zstd\r\n"
_SCRATCH = memoryview(bytearray(1 << 20))


class Wire(asyncio.BufferedProtocol):
    """One kept-alive connection; speaks just enough HTTP and keeps no audio."""

    def __init__(self) -> None:
        self._head = bytearray()
        self._body = bytearray()
        self._left = 0
        self.length = 0
        self._status = 0
        self._keep = True
        self._reply: asyncio.Future[tuple[int, bytes, float]] | None = None
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def connection_lost(self, exc: Exception | None) -> None:
        self._transport = None
        if self._reply is not None and not self._reply.done():
            self._reply.set_exception(exc or ConnectionError("the server closed the connection"))

    def get_buffer(self, sizehint: int) -> memoryview:
        return _SCRATCH

    def buffer_updated(self, nbytes: int) -> None:
        if self._left == 0:
            self._head += _SCRATCH[:nbytes]
            end = self._head.find(b"\r\n\r\n")
            if end < 0:
                return
            lines = bytes(self._head[:end]).decode("latin-1").split("\r\n")
            rest = bytes(self._head[end + 4 :])
            self._head.clear()
            self._status = int(lines[0].split()[1])
            lengths = [line for line in lines if line.lower().startswith("content-length:")]
            self.length = int(lengths[0].split(":")[1])
            self._left = self.length - len(rest)
            if self._keep:
                self._body += rest
        else:
            self._left -= nbytes
            if self._keep:
                self._body += _SCRATCH[:nbytes]
        if self._left == 0 and self._reply is not None and not self._reply.done():
            self._reply.set_result((self._status, bytes(self._body), time.monotonic()))

    async def request(
        self, verb: str, path: str, body: object = None, *, keep: bool = True
    ) -> tuple[int, bytes, float]:
        """Send a request; return status, body and the seconds until its last byte."""
        assert self._transport is not None, "the connection was lost"
        self._body.clear()
        self._keep = keep
        self._reply = asyncio.get_running_loop().create_future()
        data = b"" if body is None else json.dumps(body).encode()
        head = f"{verb} {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n{_AS_BROWSERS_SEND}"
        if data:
            head += f"Content-Type: application/json\r\nContent-Length: {len(data)}\r\n"
        started = time.monotonic()
        self._transport.write(head.encode() + b"\r\n" + data)
        status, reply, arrived = await self._reply
        return status, reply, arrived - started


@dataclass
class Tab:
    """One listener's tab and what it saw."""

    port: int
    token: str
    seed: int
    acknowledged: dict[str, str] = field(default_factory=dict)
    answer_s: list[float] = field(default_factory=list)
    audio_s: list[float] = field(default_factory=list)
    audio_bytes: int = 0
    page_bytes: int = 0
    _wire: Wire | None = None
    _page: ClientConnection | None = None
    _reading: asyncio.Task[None] | None = None

    async def open(self) -> None:
        """Open the page: websocket, one run of its script, the first connection."""
        from streamlit.proto.BackMsg_pb2 import BackMsg
        from streamlit.proto.ClientState_pb2 import ClientState

        self._page = await connect(
            f"ws://127.0.0.1:{self.port}/_stcore/stream",
            subprotocols=["streamlit"],  # type: ignore[list-item]
            origin=f"http://127.0.0.1:{self.port}",  # type: ignore[arg-type]
            max_size=None,
        )
        wanted = BackMsg(rerun_script=ClientState(query_string=f"s={self.token}"))
        await self._page.send(wanted.SerializeToString())
        ran = asyncio.Event()
        self._reading = asyncio.create_task(self._read_page(self._page, ran))
        await asyncio.wait_for(ran.wait(), 60)
        loop = asyncio.get_running_loop()
        _, self._wire = await loop.create_connection(Wire, "127.0.0.1", self.port)

    async def _read_page(self, page: ClientConnection, ran: asyncio.Event) -> None:
        async for message in page:
            assert isinstance(message, bytes)
            self.page_bytes += len(message)
            if b"earwitness-player" in message:  # the script has mounted the player
                ran.set()

    async def close(self) -> None:
        if self._reading is not None:
            self._reading.cancel()
        if self._page is not None:
            await self._page.close()

    async def run(self, until: float) -> None:
        """Answer until a time of the monotonic clock, or until there is no question left."""
        rng = Random(self.seed)
        await asyncio.sleep(rng.uniform(0, 2))
        message = await self._json("GET", f"/listen/{self.token}/next")
        while message["state"] in ("trial", "break") and time.monotonic() < until:
            if message["state"] == "break":
                message = await self._json("POST", message["resume"], {})
                continue
            message = await self._trial(message, rng)

    async def _trial(self, message: dict, rng: Random) -> dict:
        assert self._wire is not None
        status, _, took_s = await self._wire.request("GET", message["audio"], keep=False)
        assert status == 200, status
        self.audio_bytes += self._wire.length
        self.audio_s.append(took_s)
        await asyncio.sleep(rng.uniform(1, 3))
        answer = rng.choice(message["answers"])["value"]
        body = {
            "trial": message["trial"],
            "answer": answer,
            "response_s": 2.0,
            "switches": 4,
            "listened_s": dict.fromkeys(message["versions"], 1.0),
        }
        status, data, took_s = await self._wire.request(
            "POST", f"/listen/{self.token}/answer", body
        )
        assert status == 200, data[:300]
        self.answer_s.append(took_s)
        reply = json.loads(data)
        self.acknowledged[reply["trial"]] = answer
        following: dict = reply["next"]
        return following

    async def _json(self, verb: str, path: str, body: object = None) -> dict:
        assert self._wire is not None
        status, data, _ = await self._wire.request(verb, path, body)
        assert status == 200, data[:300]
        found: dict = json.loads(data)
        return found
