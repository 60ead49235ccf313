"""What is fuzzed: every parser of the project, its good seeds and the errors it may raise.

A target takes bytes and either accepts them or raises one of its own errors. Targets that read
files get a folder of their own; :func:`fuzz_parsers.fuzz` watches that nothing else is written.
"""

from __future__ import annotations

import asyncio
import hashlib
import io
import json
import sys
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import soundfile

sys.path[:0] = [str(folder) for folder in Path(__file__).parents[1:3]]

from abx.errors import AbxError, AnswerRefused, InputError, NotFound  # noqa: E402
from abx.schedule.panel import make_slot  # noqa: E402
from abx.session.answers import read_submission  # noqa: E402
from abx.store import open_store  # noqa: E402
from abx.study_file.reading import study_from_text  # noqa: E402
from helpers.study_desk import STUDY, Desk, make_desk  # noqa: E402

__all__ = ["Target", "mutate", "targets"]

Parse = Callable[[bytes], object]
Mutate = Callable[[Random, bytes], bytes]

_SPICE = [
    b"\0", b"\xff", b"\n", b"\r", b"[", b"]", b"{", b"}", b'"', b"'", b"=", b",", b";", b"#",
    b"\\", b"nan", b"inf", b"-1", b"1e999", b"0x", b"9" * 40, b"../", b"\xe2\x80\xae", b"'''",
    b"[[", b"true", b"1979-05-27", b"\t", b".", b"<script>", b"=1+1", b"\xff\xff\xff\xff",
    b"\x7f\xff\xff\xff", b"\0\0\0\0",
]  # fmt: skip


@dataclass(frozen=True)
class Target:
    """One parser: seeds, the call, its refusals, how its inputs are bent."""

    name: str
    seeds: tuple[bytes, ...]
    parse: Parse
    refusals: tuple[type[Exception], ...]
    mutate: Mutate


def mutate(rng: Random, seed: bytes) -> bytes:
    """Delete, double, swap, overwrite or spice a few places of a good input."""
    data = bytearray(seed)
    for _ in range(rng.randint(1, 6)):
        start = rng.randint(0, len(data))
        end = min(len(data), start + rng.randint(0, 30))
        kind = rng.randrange(5)
        if kind == 0:
            del data[start:end]
        elif kind == 1:
            data[start:start] = data[start:end] * rng.randint(1, 3)
        elif kind == 2:
            data[start:end] = rng.choice(_SPICE)
        elif kind == 3:
            data[start:end] = rng.randbytes(end - start)
        else:
            other = rng.randint(0, len(data))
            data[start:start] = data[other : other + 20]
    return bytes(data)


def mutate_head(rng: Random, seed: bytes) -> bytes:
    """Bend the first bytes, where a sound file says what it holds; or cut the file short."""
    if rng.random() < 0.2:
        return mutate(rng, seed[: rng.randint(0, len(seed))])
    return mutate(rng, seed[:90]) + seed[90:]


def targets(folder: Path) -> Iterator[Target]:
    """Yield every target; files lie below ``folder``."""
    desk = make_desk(folder / "study")
    yield _study_file()
    yield _answer()
    yield from _tables(desk, folder)
    yield from _sound(desk, folder)
    yield _bundle(folder)
    yield from _served(desk, folder)


def _study_file() -> Target:
    def parse(data: bytes) -> object:
        return study_from_text(data.decode("utf-8", "replace"))

    return Target("study file", (STUDY.encode(),), parse, (InputError,), mutate)


def _answer() -> Target:
    text = STUDY.replace('method = "paired"', 'method = "rating"').replace(
        "repeats = 2\nties = true", 'reference = "refit"'
    )
    slot = make_slot(study_from_text(text), bytes(32), 0)
    trials = [slot.trials[0], slot.trials[-1]]
    good = {
        "answer": dict.fromkeys("abcdef", 50),
        "response_s": 3.5,
        "switches": 4,
        "listened_s": dict.fromkeys(("ref", *"abcdef"), 1.5),
    }

    def parse(data: bytes) -> object:
        try:
            body = json.loads(data)
        except (ValueError, RecursionError):
            return None
        if not isinstance(body, dict):
            return None
        answer = body.pop("answer", None)
        return [read_submission(trial, answer, body) for trial in trials]

    return Target("answer", (json.dumps(good).encode(),), parse, (AnswerRefused,), mutate)


def _tables(desk: Desk, folder: Path) -> Iterator[Target]:
    from analysis.tables.stages import read_stages
    from analysis.tables.trials import read_trials
    from stimuli.measuring.recording import read_correction
    from stimuli.render.manifest import read_manifest
    from stimuli.response.measured import read_response
    from stimuli.response.target import read_target

    response = (desk.root / "responses" / "refit.csv").read_bytes()
    german = response.replace(b",", b";").replace(b".", b",")
    points = [f"{20 * 2**n} {n % 3}.5 {-n * 10}" for n in range(11)]
    phase = "\n".join(["* made by hand", "freq SPL phase", *points]).encode()
    both = (response, german, phase)
    trials = _TRIALS.encode()
    stages = _STAGES.encode()
    manifest = (desk.root / "stimuli" / "manifest.json").read_bytes()
    errors = (InputError,)
    for name, seeds, read, suffix in (
        ("response table", both, read_response, ".csv"),
        ("microphone correction", both, read_correction, ".txt"),
        ("target table", both, read_target, ".csv"),
        ("trial table", (trials, trials.replace(b",", b";")), read_trials, ".csv"),
        ("stage table", (stages,), read_stages, ".csv"),
        ("manifest", (manifest,), read_manifest, ".json"),
    ):
        yield Target(name, seeds, _from_file(folder / f"in{suffix}", read), errors, mutate)


_TRIALS = """\
listener,session,trial,method,programme,stage_a,stage_b,stage_x,answer,control,response_s
p1,s1,1,abx,kite,untouched,refit,refit,b,,3.2
p1,s1,2,paired,kite,untouched,refit,,b,,2.1
p1,s1,3,paired,kite,untouched,refit,,tie,obvious,2.1
p2,s2,1,same-different,,untouched,refit,,different,,9
p2,s2,2,rating,kite,untouched,,,55.5,,1e1
"""

_STAGES = """\
stage,label,cost,labour_h,currency,hourly_rate,factor_walls,metric_sd_db,metric_sd_db_repeat_sd
untouched,As found,0,0,US$,62.5,bare,4.5,0.2
refit,"Refit, new",650,3.5,US$,62.5,new,1.25,0.1
more,"Not priced yet",,,,,new,1.05,
"""


def _from_file(path: Path, read: Callable[[Path], object]) -> Parse:
    def parse(data: bytes) -> object:
        path.write_bytes(data)
        return read(path)

    return parse


def _sound(desk: Desk, folder: Path) -> Iterator[Target]:
    from stimuli.measuring.recording import measure_noise_file
    from stimuli.programme.reading import ProgrammeSpec, read_programme

    rng = np.random.default_rng(1)

    def programme(path: Path) -> object:
        return read_programme(ProgrammeSpec("x", path, mono=True))

    for name, read, rate, seconds in (
        ("programme sound", programme, 48_000, 1.1),
        ("recording", measure_noise_file, 8_000, 5.1),
    ):
        noise = rng.normal(0, 0.05, int(seconds * rate))
        seeds = []
        for kind, subtype in (("WAV", "PCM_16"), ("FLAC", "PCM_24"), ("OGG", "VORBIS")):
            data = io.BytesIO()
            soundfile.write(data, noise, rate, format=kind, subtype=subtype)
            seeds.append(data.getvalue())
        path = folder / "in.wav"
        yield Target(name, tuple(seeds), _from_file(path, read), (InputError,), mutate_head)


def _bundle(folder: Path) -> Target:
    from abx.evidence.bundle import FORMAT, check_bundle

    members = {
        "study.toml": STUDY.encode(),
        "log.jsonl": b'{"study": "a", "seq": 1}\n',
        "schedule.json": b'{"seed": "00"}',
        "results/trials.csv": _TRIALS.encode(),
        "responses/../../outside.csv": b"1,2",
    }
    entries = {name: {"sha256": hashlib.sha256(data).hexdigest()} for name, data in members.items()}
    index = {"format": FORMAT, "panel": "listeners", "software": {}, "members": entries}
    members["bundle.json"] = json.dumps(index).encode()
    path = folder / "in.zip"

    def parse(data: bytes) -> object:
        path.write_bytes(data)
        return check_bundle(path)

    good = _zip(members)
    return Target("bundle", (good,), parse, (InputError,), _mutate_bundle(members))


def _zip(members: dict[str, bytes]) -> bytes:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(zipfile.ZipInfo(name), content)
    return data.getvalue()


def _mutate_bundle(members: dict[str, bytes]) -> Mutate:
    """Bend the archive, or a member, or a member whose hash is then set right again."""

    def bend(rng: Random, seed: bytes) -> bytes:
        if rng.random() < 0.5:
            return mutate(rng, seed)
        changed = dict(members)
        name = rng.choice(sorted(changed))
        changed[name] = mutate(rng, changed[name])
        if name != "bundle.json" and rng.random() < 0.5:
            old, new = (hashlib.sha256(one[name]).hexdigest() for one in (members, changed))
            text = changed["bundle.json"].decode()
            changed["bundle.json"] = text.replace(old, new).encode()
        return _zip(changed)

    return bend


def _served(desk: Desk, folder: Path) -> Iterator[Target]:
    from starlette.applications import Starlette

    from abx.web.routes import make_routes

    sessions = desk.sessions(open_store(f"sqlite:///{folder / 'log.db'}"))
    token = sessions.begin(consent=True)
    message = sessions.next_trial(token)
    name = message["audio"].rsplit("/", 1)[-1].encode()
    app = Starlette(routes=make_routes(lambda: sessions))
    loop = asyncio.new_event_loop()

    def forged_name(data: bytes) -> object:
        text = data.decode("utf-8", "replace")
        if text.encode() == name:
            return None
        blob = sessions.audio_blob(token, text)
        raise AssertionError(f"a forged name opened {len(blob)} bytes")

    def forged_token(data: bytes) -> object:
        text = data.decode("utf-8", "replace")
        if text == token:
            return None
        raise AssertionError(f"a forged token opened {sessions.next_trial(text)}")

    def posted(data: bytes) -> object:
        status = loop.run_until_complete(_post(app, f"/listen/{token}/answer", data))
        assert status in (200, 404, 409, 413, 422), f"status {status}"
        return status

    body = {
        "trial": message["trial"],
        "answer": "a",
        "response_s": 3.5,
        "switches": 4,
        "listened_s": dict.fromkeys(message["versions"], 1.5),
    }
    good = json.dumps(body).encode()
    yield Target("audio name", (name,), forged_name, (NotFound,), mutate)
    yield Target("sitting token", (token.encode(),), forged_token, (AbxError,), mutate)
    yield Target("HTTP body", (good,), posted, (), mutate)
    loop.close()
    sessions.store.close()


async def _post(app: Any, path: str, body: bytes) -> int:
    """Call the application as a server does, without one."""
    scope = {
        "type": "http",
        "method": "POST",
        "path": path,
        "raw_path": path.encode(),
        "query_string": b"",
        "headers": [(b"content-type", b"application/json")],
        "http_version": "1.1",
        "scheme": "http",
        "server": ("127.0.0.1", 80),
        "client": ("127.0.0.1", 1),
    }
    pieces = [body[:100], body[100:]]
    status = 0

    async def receive() -> dict[str, Any]:
        piece = pieces.pop(0) if pieces else b""
        return {"type": "http.request", "body": piece, "more_body": bool(pieces)}

    async def send(message: dict[str, Any]) -> None:
        nonlocal status
        status = message.get("status", status)

    await app(scope, receive, send)
    return status
