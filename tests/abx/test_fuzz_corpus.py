"""Nasty inputs for every parser: the seed corpus, and a few hundred inputs bent from good ones.

The long run is ``tests/bench/fuzz_parsers.py``; both use the targets of ``fuzz_targets.py``.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from fuzz_parsers import files_below, fuzz, input_of
from fuzz_targets import Target, targets

CORPUS = Path(__file__).with_name("corpus")
_INPUTS = 150


@pytest.fixture(scope="module")
def everything(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, tuple[int, int]]]:
    """Faults of each target in its corpus and in bent inputs, and a folder nobody wrote to."""
    folder = tmp_path_factory.mktemp("fuzz")
    (folder / "scratch").mkdir()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tempfile, "tempdir", str(folder / "scratch"))
        found = {}
        for target in targets(folder):
            corpus = faults_in_corpus(target, folder)
            found[target.name] = (corpus, fuzz(target, range(_INPUTS), folder))
        yield found


def faults_in_corpus(target: Target, folder: Path) -> int:
    before = None
    faults = 0
    for file in sorted((CORPUS / target.name.replace(" ", "-")).glob("*")):
        try:
            target.parse(file.read_bytes())
        except target.refusals:
            pass
        except Exception as error:
            faults += 1
            print(f"{target.name}, {file.name}: {type(error).__name__}: {error}")
        before = before or files_below(folder)
    assert before is None or files_below(folder) == before, f"{target.name} wrote a file"
    return faults


def test_every_parser_survives_its_corpus_and_bent_inputs(
    everything: dict[str, tuple[int, int]], capsys: pytest.CaptureFixture[str]
) -> None:
    assert {name: faults for name, faults in everything.items() if any(faults)} == {}
    assert len(everything) == 14
    assert {path.name for path in CORPUS.iterdir()} == {
        name.replace(" ", "-") for name in everything
    }


def test_the_harness_notices_faults(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A parser that crashes, and one that writes where it should not, are both reported."""

    def crash(data: bytes) -> object:
        raise KeyError("unforeseen")

    def write(data: bytes) -> object:
        return (tmp_path / f"left-{len(data)}").write_bytes(data)

    def same(rng: object, seed: bytes) -> bytes:
        return seed

    assert fuzz(Target("crash", (b"a",), crash, (ValueError,), same), range(5), tmp_path) == 5
    writer = Target("writer", (b"a",), write, (ValueError,), same)
    assert fuzz(writer, range(2001), tmp_path) == 1
    assert "KeyError: 'unforeseen'" in capsys.readouterr().out
    assert input_of(writer, 7) == b"a"
