"""The trial loop over HTTP, as a tab sees it."""

from __future__ import annotations

import json
from collections.abc import Iterator

import httpx
import numpy as np
import pytest
from starlette.applications import Starlette

from abx.errors import InputError, StoreError
from abx.session.sessions import Sessions
from abx.web.routes import MAX_BODY_BYTES, make_routes
from helpers.guards import GUARD_S
from helpers.http_server import answer_body, running
from helpers.sound_block import unpack


@pytest.fixture
def client(local_sessions: Sessions) -> Iterator[httpx.Client]:
    """A client of a real server on a free port."""
    app = Starlette(routes=make_routes(lambda: local_sessions))
    with running(app) as url, httpx.Client(base_url=url, timeout=GUARD_S) as opened:
        yield opened


@pytest.fixture
def token(local_sessions: Sessions) -> str:
    return local_sessions.begin(consent=True)


def error_of(reply: httpx.Response) -> str:
    """Every error is one sentence a person can act on, and nothing else."""
    content = reply.json()
    assert list(content) == ["error"]
    assert content["error"].endswith(".")
    assert "Traceback" not in content["error"]
    return str(content["error"])


def test_a_sitting_over_http(client: httpx.Client, token: str, local_sessions: Sessions) -> None:
    message = client.get(f"/listen/{token}/next").json()
    count = 0
    while message["state"] == "trial":
        blob = client.get(message["audio"])
        assert blob.status_code == 200
        assert blob.headers["content-type"] == "application/octet-stream"
        _, samples = unpack(blob.content)
        assert len(samples) == len(message["versions"])
        reply = client.post(f"/listen/{token}/answer", json=answer_body(message)).json()
        assert reply["acknowledged"] is True
        assert reply["trial"] == message["trial"]
        assert set(reply) == {"acknowledged", "trial", "feedback", "next"}
        message = reply["next"]
        count += 1
    assert message["state"] == "done"
    assert count == len(local_sessions.slot(0).trials)


def test_x_is_the_version_it_should_be(
    client: httpx.Client, token: str, local_sessions: Sessions
) -> None:
    """The block's versions are the scheduled stimuli, in the order of the message."""
    message = client.get(f"/listen/{token}/next").json()
    trial = local_sessions.slot(0).trials[0]
    _, samples = unpack(client.get(message["audio"]).content)
    for name, heard in zip(message["versions"], samples, strict=True):
        expected, _ = local_sessions.stimuli.get(trial.plays(name), trial.programme)
        assert np.abs(heard - expected / 65536).max() <= 1.5


def test_every_reply_forbids_keeping(client: httpx.Client, token: str) -> None:
    message = client.get(f"/listen/{token}/next").json()
    replies = [
        client.get(f"/listen/{token}/next"),
        client.get(f"/listen/{token}/level"),
        client.get(message["audio"]),
        client.post(f"/listen/{token}/answer", json=answer_body(message)),
        client.post(f"/listen/{token}/answer", content=b"{"),
        client.post(f"/listen/{token}/resume"),
        client.get("/listen/unknown/next"),
    ]
    for reply in replies:
        assert reply.headers["cache-control"] == "no-store"
        assert reply.headers["referrer-policy"] == "no-referrer"
        assert "etag" not in reply.headers
        assert "last-modified" not in reply.headers


def test_blocks_of_a_method_have_one_size_and_the_same_headers(
    client: httpx.Client, token: str
) -> None:
    sizes: dict[str, set[object]] = {}
    message = client.get(f"/listen/{token}/next").json()
    while message["state"] == "trial":
        blob = client.get(message["audio"])
        headers = {k: v for k, v in blob.headers.items() if k != "date"}
        seen = sizes.setdefault(message["method"], set())
        seen.add((len(blob.content), json.dumps(headers, sort_keys=True), len(message["audio"])))
        message = client.post(f"/listen/{token}/answer", json=answer_body(message)).json()["next"]
    assert {method: len(seen) for method, seen in sizes.items()} == {"abx": 1, "paired": 1}


def test_level_audio(client: httpx.Client, token: str) -> None:
    message = client.get(f"/listen/{token}/level").json()
    assert message["state"] == "level"
    assert message["versions"] == ["level"]
    _, samples = unpack(client.get(message["audio"]).content)
    assert len(samples) == 1


def test_statuses(client: httpx.Client, token: str, local_sessions: Sessions) -> None:
    message = client.get(f"/listen/{token}/next").json()
    url = f"/listen/{token}/answer"
    body = answer_body(message)

    assert "start again" in error_of(missing := client.get("/listen/unknown/next"))
    assert missing.status_code == 404
    early = client.post(url, json={**body, "trial": "0" * 32})
    assert (early.status_code, "reload" in error_of(early)) == (404, True)
    gone = client.get(f"/listen/{token}/audio/AAAA")
    assert (gone.status_code, "no longer" in error_of(gone)) == (404, True)

    assert client.post(url, json=body).status_code == 200
    assert client.post(url, json=body).status_code == 200, "a double click is fine"
    other = client.post(url, json={**body, "answer": "b"})
    assert (other.status_code, "first answer counts" in error_of(other)) == (409, True)

    following = client.get(f"/listen/{token}/next").json()
    local_sessions.close()
    late = client.post(url, json=answer_body(following))
    assert (late.status_code, "closed" in error_of(late)) == (410, True)
    assert client.get(f"/listen/{token}/next").json()["state"] == "closed"
    assert client.get(following["audio"]).status_code == 404


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"[]",
        b'"a"',
        b"null",
        b"\xff\xfe",
        b"[" * 8000,
        b'{"trial": NaN}',
        b'{"answer": "a", "listened_s": {"a": Infinity}}',
    ],
)
def test_bodies_that_cannot_be_read(client: httpx.Client, token: str, content: bytes) -> None:
    reply = client.post(f"/listen/{token}/answer", content=content)
    assert reply.status_code == 422
    error_of(reply)


def test_a_body_that_does_not_fit(client: httpx.Client, token: str) -> None:
    message = client.get(f"/listen/{token}/next").json()
    reply = client.post(f"/listen/{token}/answer", json={**answer_body(message), "answer": "z"})
    assert reply.status_code == 422
    assert "one of" in error_of(reply)


def test_large_bodies_are_refused(client: httpx.Client, token: str) -> None:
    reply = client.post(f"/listen/{token}/answer", content=b"x" * (MAX_BODY_BYTES + 1))
    assert reply.status_code == 413
    assert "larger than any answer" in error_of(reply)


def test_other_verbs_and_paths_lead_nowhere(client: httpx.Client, token: str) -> None:
    assert client.post(f"/listen/{token}/next").status_code == 405
    assert client.get(f"/listen/{token}/answer").status_code == 405
    for path in ("/listen/", f"/listen/{token}", f"/listen/{token}/audio/", "/listen/a/b/c/d"):
        assert client.get(path).status_code == 404
    for name in ("..%2f..%2fstudy.toml", "%2e%2e/%2e%2e/study.toml", "manifest.json"):
        assert client.get(f"/listen/{token}/audio/{name}").status_code == 404


def test_a_store_that_refuses_is_said_and_can_be_retried(
    client: httpx.Client, token: str, local_sessions: Sessions, monkeypatch: pytest.MonkeyPatch
) -> None:
    message = client.get(f"/listen/{token}/next").json()
    with monkeypatch.context() as patched:

        def refuse(*_args: object, **_more: object) -> None:
            raise StoreError("disk I/O error")

        patched.setattr(local_sessions.store, "write", refuse)
        reply = client.post(f"/listen/{token}/answer", json=answer_body(message))
        assert reply.status_code == 503
        assert "try again" in error_of(reply)
    again = client.post(f"/listen/{token}/answer", json=answer_body(message))
    assert again.status_code == 200
    assert len(local_sessions.store.rows(local_sessions.study_id, kind="answer")) == 1


def test_faults_do_not_show_their_insides(
    client: httpx.Client, token: str, local_sessions: Sessions, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = client.get(f"/listen/{token}/next").json()["audio"]
    faults = (
        InputError(source="/secret/untouched.flac", problem="hash differs", remedy="restore it"),
        RuntimeError("stage untouched is broken"),
    )
    for fault in faults:

        def fail(*_args: object, fault: Exception = fault) -> bytes:
            raise fault

        monkeypatch.setattr(local_sessions, "audio_blob", fail)
        reply = client.get(name)
        assert reply.status_code == 500
        assert "untouched" not in error_of(reply)
