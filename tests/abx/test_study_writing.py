"""What commands and the desk write into ``study.toml`` is exact, and the same as ever."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from abx.errors import InputError
from abx.study.model import Prices
from abx.study_file.edit import insert_table, remove_table, replace_number, with_plan
from abx.study_file.reading import read_study, study_from_text
from abx.study_file.scaffold import DEFAULT_STAGES, write_scaffold
from abx.study_file.writing import file_text, one_table, table_of, value_text
from abx.text.names import id_fault, unprintable
from abx.text.toml_lines import value_spans
from abx.web.desk.new_study import NewStage, NewStudy, add_to_study, study_text
from helpers.cli_study import STUDY, table, write_study

#: Texts that were written before ``tomlkit`` wrote them (snapshots; they show change, not truth).
WRITTEN = Path(__file__).parent / "reference" / "study_text_snapshots"
ODD_TITLE = 'Łódź "north" \\ süd: κήπος, 車, سيارة\t& more'
STAGES = (
    NewStage("As found", ("found-p1.csv", "found-p2.csv"), cost=0.0, labour_h=0.0),
    NewStage('New "Größer" \\ 2', ("new p1.csv",), cost=1234.5),
    NewStage("車", ("x.csv",), labour_h=0.25),
)


def scaffold(folder: Path, *stages: str, title: str, listeners: int, positions: int = 3) -> str:
    file = write_scaffold(
        folder, title=title, stages=stages, listeners=listeners, positions=positions
    )
    return file.read_text(encoding="utf-8")


def at_the_desk(_: Path) -> str:
    return study_text(
        NewStudy(
            title='The "old" van \\ 2',
            target="car-cabin",
            stages=STAGES,
            programmes=("a tune.wav", "a-tune.flac"),
            methods={"abx": 4, "paired": 2, "grading": 1},
            listeners=12,
            prices=Prices("EUR", 60.0, 'without "sales" tax'),
        )
    )


def bare(_: Path) -> str:
    return study_text(NewStudy("Saloon", "flat", STAGES[:2], ("a.wav",), {"paired": 2}, 4))


def added(folder: Path) -> str:
    root = write_study(folder / "s")
    lines = table([70.0] * 29).encode()
    tune = (root / "programmes/noise.wav").read_bytes()
    stage = NewStage('Third "one"', ("third-p1.csv", "third-p2.csv"), cost=99.0)
    files = {"third-p1.csv": lines, "third-p2.csv": lines, "tune.wav": tune}
    add_to_study(root, files, stages=[stage], programmes=["tune.wav"])
    return (root / "study.toml").read_text(encoding="utf-8")


def planned(folder: Path) -> str:
    text = scaffold(folder, "old", "new", title="T", listeners=16)
    return with_plan(text, listeners=24, trials={"abx": 6, "rating": 2, "grading": 1})


def taken_out(folder: Path) -> str:
    return with_plan(scaffold(folder, "old", "new", title="T", listeners=16), trials={"abx": 0})


CASES: dict[str, Callable[[Path], str]] = {
    "new": lambda folder: scaffold(folder, *DEFAULT_STAGES, title="A study", listeners=16),
    "new-odd": lambda folder: scaffold(
        folder, "0-a", "b--9", title=ODD_TITLE, listeners=1, positions=1
    ),
    "desk": at_the_desk,
    "desk-bare": bare,
    "added": added,
    "planned": planned,
    "taken-out": taken_out,
}


@pytest.mark.parametrize("name", CASES)
def test_written_files_are_the_same_to_the_letter(name: str, tmp_path: Path) -> None:
    before = (WRITTEN / f"{name}.toml").read_bytes()
    assert CASES[name](tmp_path).encode() == before


# What is written reads back -----------------------------------------------------------------

ANY_TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=60)
IDS = st.from_regex(r"[a-z0-9][a-z0-9-]{0,39}", fullmatch=True).filter(
    lambda text: id_fault(text) is None
)
VALUES = st.one_of(
    *(ANY_TEXT, st.integers(-(2**63), 2**63 - 1), st.booleans()),
    *(st.floats(allow_nan=False), st.lists(ANY_TEXT, max_size=4)),
)


@given(VALUES)
def test_every_value_reads_back_as_what_it_was(value: object) -> None:
    read = tomllib.loads(f"k = {value_text(value)}")["k"]
    assert read == value
    assert type(read) is type(value)


@given(title=ANY_TEXT, stages=st.lists(IDS, min_size=2, max_size=5, unique=True), label=ANY_TEXT)
def test_a_written_file_reads_back(title: str, stages: list[str], label: str) -> None:
    tables = [table_of("stages", {"id": stage, "label": label}) for stage in stages]
    text = file_text({"format": 1, "title": title}, [*tables, one_table("plan", {"listeners": 3})])
    assert tomllib.loads(text) == {
        "format": 1,
        "title": title,
        "stages": [{"id": stage, "label": label} for stage in stages],
        "plan": {"listeners": 3},
    }


@given(title=ANY_TEXT, label=ANY_TEXT)
def test_a_title_from_the_desk_is_kept_or_refused_never_changed(title: str, label: str) -> None:
    stages = (NewStage("Old", ("o.csv",)), NewStage(f"New {label}", ("n.csv",)))
    text = study_text(NewStudy(title, "flat", stages, ("a.wav",), {"paired": 2}, 4))
    there = (title, f"New {label}")
    if not title.strip() or any(unprintable(t.replace("\r\n", "\n")) or "\n" in t for t in there):
        with pytest.raises(InputError, match=r"^study\.toml, line \d+, "):
            study_from_text(text)
    else:
        study = study_from_text(text)
        assert (study.title, study.stages[1].label) == there


def test_a_file_whose_name_holds_a_hard_space_is_named_as_it_is(tmp_path: Path) -> None:
    root = write_study(tmp_path / "s")
    name = "third\u00a0(1).csv"
    add_to_study(root, {name: table([70.0] * 29).encode()}, stages=[NewStage("Third", (name,))])
    assert read_study(root).stages[-1].responses == (f"responses/{name}",)


# Edits leave what somebody wrote ------------------------------------------------------------

COMMENTS = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=20).map("# {}".format)


@st.composite
def written_by_hand(draw: st.DrawFn) -> str:
    """Draw a study file with comments and blank lines wherever TOML allows them."""
    lines = []
    for line in STUDY.splitlines():
        remark = draw(COMMENTS)
        where = draw(st.sampled_from(["above", "behind", "apart", "none"]))
        lines += [remark] if where == "above" else [remark, ""] if where == "apart" else []
        lines.append(f"{line}  {remark}" if where == "behind" else line)
    return "\n".join(lines) + "\n"


@given(written_by_hand(), st.integers(1, 10_000), st.integers(1, 64))
def test_comments_and_order_survive_numbers_that_change(
    written: str, listeners: int, trials: int
) -> None:
    text = written
    after = with_plan(text, listeners=listeners, trials={"abx": trials})
    put_back = replace_number(after, ("plan", "listeners"), 4)
    assert replace_number(put_back, ("tests", 0, "trials"), 4) == text
    study = study_from_text(after)
    assert (study.plan.listeners, study.tests[0].trials) == (listeners, trials)


@given(written_by_hand(), st.sampled_from(["stages", "programmes", "tests"]), ANY_TEXT)
def test_comments_and_order_survive_a_table_that_is_put_in(
    written: str, kind: str, label: str
) -> None:
    text = written
    entries = {"id": "new", "label": label}
    after = insert_table(text, kind, entries)
    before = tomllib.loads(text)
    assert tomllib.loads(after) == before | {kind: [*before[kind], entries]}
    lines = iter(line for line in after.split("\n") if line)
    assert all(line in lines for line in text.split("\n") if line), "a line is gone or has moved"


INLINE = """\
format = 1
tests = [ { method = "abx", trials = 4 }, { method = "paired", trials = 2 } ]  # ours
plan = { listeners = 12, alpha = 0.05 }
"""


def test_tables_on_one_line_are_told_apart() -> None:
    """The number that is asked for changes, not the first of its name on the line."""
    after = replace_number(INLINE, ("tests", 1, "trials"), 9)
    assert after == INLINE.replace("trials = 2", "trials = 9")
    assert replace_number(INLINE, ("plan", "listeners"), 5) == INLINE.replace("12", "5")
    more = insert_table(INLINE, "tests", {"method": "rating", "trials": 1})
    read: Mapping[str, list[dict[str, object]]] = tomllib.loads(more)
    assert [test["method"] for test in read["tests"]] == ["abx", "paired", "rating"]
    assert more.count("# ours") == 1
    fewer = tomllib.loads(remove_table(INLINE, "tests", 0))
    assert fewer["tests"] == [{"method": "paired", "trials": 2}]


def test_tables_that_take_turns_stay_in_their_order() -> None:
    text = "[[a]]\nx = 1 # c\n# p\n[[b]]\ny = 0x10\n[[a]]\n'x' = +2\n"
    assert replace_number(text, ("a", 1, "x"), 5) == text.replace("+2", "5")
    assert replace_number(text, ("b", 0, "y"), 5) == text.replace("0x10", "5")


@given(st.lists(st.tuples(IDS, VALUES), max_size=6, unique_by=lambda pair: pair[0]))
def test_the_place_of_every_value_is_known(pairs: list[tuple[str, object]]) -> None:
    text = "".join(f'"{key}"  =  {value_text(value)}  # "x" = 1\n' for key, value in pairs)
    spans = value_spans(text)
    for key, value in pairs:
        assert text[slice(*spans[key,])] == value_text(value)
