"""Fuzz every parser: mutated good files and plain noise, 100,000 inputs each by default.

    python tests/bench/fuzz_parsers.py --inputs 100000

A parser may take an input or refuse it with its own error; anything else (another exception, more
than two seconds, a file written) is printed with the seed that makes it again, and the exit code
is 1.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from random import Random

sys.path[:0] = [str(Path(__file__).parents[1] / "abx"), str(Path(__file__).parents[2])]

from study_desk import STUDY, make_desk  # noqa: E402

from abx.answers import read_submission  # noqa: E402
from abx.errors import AnswerRefused, InputError  # noqa: E402
from abx.schedule import make_slot  # noqa: E402
from abx.store import open_store  # noqa: E402
from abx.study import study_from_text  # noqa: E402

_MAX_S = 2.0
_SPICE = [
    b"\0", b"\xff", b"\n", b"\r", b"[", b"]", b"{", b"}", b'"', b"'", b"=", b",", b";", b"#",
    b"\\", b"nan", b"inf", b"-1", b"1e999", b"0x", b"9" * 40, b"../", b"\xe2\x80\xae", b"'''",
    b"[[", b"true", b"1979-05-27", b"\t", b".", b"<script>", b"=1+1",
]  # fmt: skip


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


def study_file() -> tuple[bytes, Callable[[bytes], object], tuple[type[Exception], ...]]:
    def parse(data: bytes) -> object:
        return study_from_text(data.decode("utf-8", "replace"))

    return STUDY.encode(), parse, (InputError,)


def answer_body() -> tuple[bytes, Callable[[bytes], object], tuple[type[Exception], ...]]:
    text = STUDY.replace('method = "paired"', 'method = "rating"').replace(
        "repeats = 2\nties = true", 'reference = "both"'
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

    return json.dumps(good).encode(), parse, (AnswerRefused,)


def tokens(folder: Path) -> tuple[bytes, Callable[[bytes], object], tuple[type[Exception], ...]]:
    from abx.errors import NotFound

    desk = make_desk(folder / "study")
    sessions = desk.sessions(open_store(f"sqlite:///{folder / 'log.db'}"))
    token = sessions.begin(consent=True)
    good = sessions.next_trial(token)["audio"].rsplit("/", 1)[-1].encode()

    def parse(data: bytes) -> object:
        name = data.decode("utf-8", "replace")
        if name.encode() == good:
            return None
        blob = sessions.audio_blob(token, name)
        raise AssertionError(f"a forged name opened {len(blob)} bytes")

    return good, parse, (NotFound,)


def fuzz(
    name: str,
    seed: bytes,
    parse: Callable[[bytes], object],
    refusals: tuple[type[Exception], ...],
    inputs: int,
) -> int:
    """Try one parser; returns the number of faults."""
    faults = taken = refused = 0
    slowest_s = 0.0
    started = time.monotonic()
    for number in range(inputs):
        rng = Random(f"{name}/{number}")
        data = rng.randbytes(rng.randint(0, 300)) if number % 20 == 0 else mutate(rng, seed)
        before = time.monotonic()
        try:
            parse(data)
            taken += 1
        except refusals:
            refused += 1
        except Exception as error:
            faults += 1
            print(f"{name}, input {number}: {type(error).__name__}: {error}"[:300], flush=True)
        took_s = time.monotonic() - before
        slowest_s = max(slowest_s, took_s)
        if took_s > _MAX_S:
            faults += 1
            print(f"{name}, input {number}: {took_s:.1f} s", flush=True)
    total_s = time.monotonic() - started
    print(
        f"{name}: {inputs} inputs, {taken} taken, {refused} refused, {faults} faults, "
        f"slowest {slowest_s * 1e3:.0f} ms, {total_s:.0f} s",
        flush=True,
    )
    return faults


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--inputs", type=int, default=100_000)
    options = parser.parse_args()
    warnings.simplefilter("error")
    with tempfile.TemporaryDirectory() as folder:
        targets = {
            "study file": study_file(),
            "answer": answer_body(),
            "audio name": tokens(Path(folder)),
        }
        os.chdir(folder)
        before = sorted(str(path) for path in Path(folder).rglob("*"))
        faults = sum(fuzz(name, *target, inputs=options.inputs) for name, target in targets.items())
        written = sorted(str(path) for path in Path(folder).rglob("*")) != before
    if written:
        print("a file was written or removed")
    return 1 if faults or written else 0


if __name__ == "__main__":
    sys.exit(main())
