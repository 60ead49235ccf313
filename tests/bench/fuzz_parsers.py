"""Fuzz every parser: mutated good files and plain noise, 100,000 inputs each by default.

    python tests/bench/fuzz_parsers.py --inputs 100000
    python tests/bench/fuzz_parsers.py --only "stage table" --inputs 5000

A parser may take an input or refuse it with its own error; anything else (another exception, more
than two seconds, a file written) is printed with the number that makes it again, and the exit code
is 1. The parsers and their seeds are in ``fuzz_targets.py``.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import tempfile
import time
import warnings
from pathlib import Path
from random import Random

from fuzz_targets import Target, targets

_MAX_S = 2.0
_MAX_MEMORY_BYTES = 6_000_000_000
_LOOK_EVERY = 2000


def input_of(target: Target, number: int) -> bytes:
    """Make one input again from its number."""
    rng = Random(f"{target.name}/{number}")
    if number < len(target.seeds):
        return target.seeds[number]
    if number % 20 == 0:
        return rng.randbytes(rng.randint(0, 300))
    return target.mutate(rng, rng.choice(target.seeds))


def fuzz(target: Target, numbers: range, folder: Path) -> int:
    """Try one parser; returns the number of faults."""
    faults = taken = refused = 0
    slowest_s = 0.0
    kept = files_below(folder)
    started = time.monotonic()
    for number in numbers:
        data = input_of(target, number)
        before = time.process_time()  # a busy machine is not a slow parser
        try:
            target.parse(data)
            taken += 1
        except target.refusals:
            refused += 1
        except Exception as error:
            faults += 1
            print(f"{target.name}, input {number}: {type(error).__name__}: {error}"[:300])
        took_s = time.process_time() - before
        slowest_s = max(slowest_s, took_s)
        if took_s > _MAX_S:
            faults += 1
            print(f"{target.name}, input {number}: {took_s:.1f} s")
        if number == numbers.start:
            kept |= files_below(folder)  # the input file itself
        if number % _LOOK_EVERY == 0 and (written := files_below(folder) - kept):
            faults += 1
            kept |= written
            print(f"{target.name}, by input {number}: wrote {sorted(written)[:3]}")
    total_s = time.monotonic() - started
    print(
        f"{target.name}: {len(numbers)} inputs from {numbers.start}, {taken} taken, "
        f"{refused} refused, {faults} faults, slowest {slowest_s * 1e3:.0f} ms, "
        f"{total_s:.0f} s",
        flush=True,
    )
    return faults


def files_below(folder: Path) -> set[str]:
    """List what lies below the folder, the databases' side files apart."""
    return {str(path) for path in folder.rglob("*") if not path.name.endswith(("-wal", "-shm"))}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--inputs", type=int, default=100_000)
    parser.add_argument("--start", type=int, default=0, help="number of the first input")
    parser.add_argument("--only", action="append", help="name of a parser; may be repeated")
    options = parser.parse_args()
    warnings.simplefilter("error")
    # Whoever lets a header decide how much memory is asked for fails here, not the machine.
    resource.setrlimit(resource.RLIMIT_AS, (_MAX_MEMORY_BYTES, _MAX_MEMORY_BYTES))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "scratch").mkdir()
        tempfile.tempdir = str(folder / "scratch")
        os.chdir(folder)
        faults = sum(
            fuzz(target, range(options.start, options.start + options.inputs), folder)
            for target in targets(folder)
            if options.only is None or target.name in options.only
        )
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
