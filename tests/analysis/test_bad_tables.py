"""Tables as a tired shop assistant or a careless researcher writes them.

Whatever would change an answer in silence is refused with its line, its column and what to do;
whatever is odd but can be used gets one plain line.
"""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest

from analysis.claims.check import check_claims, check_options, table_notes
from analysis.link.programmes import programme_table
from analysis.run import analyse
from analysis.tables.stages import read_stages, stage_table
from analysis.tables.trials import TrialTable, read_trials, trial_table
from stimuli.files.errors import InputError

COLUMNS = (
    *("listener", "session", "trial", "method", "programme", "stage_a", "stage_b", "stage_x"),
    *("answer", "control", "response_s", "switches", "answered_at", "group", "output"),
    *("repeat_of", "simulated"),
)
Row = dict[str, str]


def rows() -> list[Row]:
    """Two listeners, four trials each; line 2 of the file is the first."""
    found = []
    for who in ("Ada", "Ben"):
        for trial in range(1, 5):
            row = dict.fromkeys(COLUMNS, "")
            a, b = ("old", "new") if trial % 2 else ("new", "old")
            row |= {"listener": who, "session": f"{who}-1", "trial": str(trial)}
            row |= {"method": "paired", "programme": "kite street", "stage_a": a, "stage_b": b}
            row |= {"answer": "a", "response_s": "12.5", "switches": "3", "group": "players"}
            row |= {"answered_at": f"2026-03-31T14:0{trial}:00Z", "output": "headphones"}
            found.append(row | {"simulated": "0"})
    found[3] |= {"method": "rating", "stage_b": "", "answer": "70"}
    found[4] |= {"method": "abx", "stage_x": "old"}
    return found


def write(folder: Path, table: list[Row], *, columns: tuple[str, ...] = COLUMNS) -> Path:
    path = folder / "trials.csv"
    lines = [columns, *([row[name] for name in COLUMNS] for row in table)]
    path.write_text("\n".join(";".join(line) for line in lines) + "\n", encoding="utf-8")
    return path


def test_the_table_is_fine_before_it_is_spoilt(tmp_path: Path) -> None:
    table = read_trials(write(tmp_path, rows()))
    assert (table.n_trials, table.n_listeners, table.notes) == (8, 2, ())


# What was written, in which row (from 0) and column, and what the message says beside the place.
BAD_CELLS = {
    "a stage in capitals": (2, "stage_a", "New", ["'New' and 'new' (line 3", "only in capitals"]),
    "a stage with a space behind it": (5, "stage_b", "old ", ["'old ' and 'old' (line", "spaces"]),
    "a stage in full-width letters": (2, "stage_b", "ｎｅｗ", ["characters that look alike"]),
    "a stage with a zero-width space": (2, "stage_b", "ne\u200bw", ["cannot be seen"]),
    "a listener in small letters": (7, "listener", "ben", ["'ben' and 'Ben' (line 6", "capitals"]),
    "a listener with a space behind": (
        2,
        "listener",
        "Ada ",
        ["'Ada ' and 'Ada'", "only in spaces"],
    ),
    "a programme with two spaces": (
        6,
        "programme",
        "kite  street",
        ["only in spaces", "programme"],
    ),
    "a programme in capitals": (6, "programme", "Kite Street", ["only in capitals"]),
    "a programme with other spaces": (
        6,
        "programme",
        "Kitestreet",
        ["only in capitals and spaces"],
    ),
    "a group in capitals": (5, "group", "Players", ["'Players' and 'players'"]),
    "a listener called NaN": (0, "listener", "NaN", ["'NaN' is what programs write", "pseudonym"]),
    "a listener called nan": (0, "listener", "nan", ["'nan' is what programs write"]),
    "a listener called None": (4, "listener", "None", ["'None' is what programs write"]),
    "a listener called null": (4, "listener", "null", ["'null' is what programs write"]),
    "a listener called N/A": (4, "listener", "N/A", ["'N/A' is what programs write"]),
    "a listener without a name": (4, "listener", "", ["the value is empty"]),
    "a listener made of nothing": (4, "listener", "\u200b", ["nothing that can be seen"]),
    "a stage called NaN": (3, "stage_b", "NaN", ["'NaN' is what programs", "Leave the cell empty"]),
    "a programme called nan": (3, "programme", "nan", ["'nan' is what programs write"]),
    "a negative trial": (1, "trial", "-2", ["'-2' is not a whole number from 1"]),
    "half a trial": (1, "trial", "2.5", ["'2.5' is not a whole number from 1"]),
    "half a trial with a comma": (1, "trial", "2,5", ["'2,5' is not a whole number from 1"]),
    "a trial in words": (1, "trial", "two", ["'two' is not a whole number from 1"]),
    "a trial twice": (1, "trial", "1", ["was already given in line 2"]),
    "a rating above 100": (3, "answer", "100.5", ["'100.5' is not a number from 0 to 100"]),
    "a rating below 0": (3, "answer", "-1", ["'-1' is not a number from 0 to 100"]),
    "a rating in percent": (3, "answer", "70 %", ["'70 %' is not a number from 0 to 100"]),
    "a rating that is no number": (3, "answer", "nan", ["'nan' is not a number from 0 to 100"]),
    "an answer in capitals": (0, "answer", "A", ["'A' is not an answer", "Did you mean 'a'?"]),
    "an answer by stage": (0, "answer", "old", ["'old' is not an answer", "a, b, tie"]),
    "an unknown control": (0, "control", "hidden", ["'hidden' is not a known control", "obvious"]),
    "a control in capitals": (0, "control", "Obvious", ["Did you mean 'obvious'?"]),
    "a method in capitals": (0, "method", "Paired", ["Did you mean 'paired'?"]),
    "a method by another name": (0, "method", "preference", ["not a known method", "paired"]),
    "X that was never played": (4, "stage_x", "other", ["is neither stage_a nor stage_b"]),
    "a stage against itself": (0, "stage_b", "old", ["is the same stage as stage_a"]),
    "an endless response time": (0, "response_s", "inf", ["'inf' is not a number of seconds"]),
    "a negative response time": (0, "response_s", "-3", ["'-3' is not a number of seconds from 0"]),
    "half a switch": (0, "switches", "1.5", ["'1.5' is not a whole number from 0"]),
    "a time in words": (0, "answered_at", "yesterday", ["not a date and time of ISO 8601", "UTC"]),
    "the year 9999": (0, "answered_at", "9999-12-31T23:59:59Z", ["between 1970 and 2100"]),
    "the year 1": (0, "answered_at", "0001-01-01T00:00:00Z", ["between 1970 and 2100"]),
    "a time as spreadsheets count": (0, "answered_at", "46112.58", ["not a date and time"]),
    "a day the German way": (0, "answered_at", "31.03.2026 14:01", ["not a date and time"]),
    "a day that never was": (0, "answered_at", "2026-02-30T10:00:00Z", ["not a date and time"]),
    "only a year": (0, "answered_at", "2026", ["not a date and time"]),
    "a repeat of nothing": (1, "repeat_of", "first", ["'first' is not a whole number from 1"]),
    "simulated or not": (0, "simulated", "yes", ["'yes' is not 0 or 1"]),
    "a listener in two groups": (2, "group", "others", ["in group 'others', but in group 'pl"]),
}


@pytest.mark.parametrize("name", BAD_CELLS)
def test_a_cell_that_would_change_an_answer_in_silence_is_refused(
    tmp_path: Path, name: str
) -> None:
    row, column, value, words = BAD_CELLS[name]
    table = rows()
    table[row][column] = value
    path = write(tmp_path, table)
    with pytest.raises(InputError) as caught:
        read_trials(path)
    message = str(caught.value)
    assert message.startswith(f"{path}, line "), message
    assert f", column {column.removesuffix('_a').removesuffix('_b').removesuffix('_x')}" in message
    for word in words:
        assert word in message, message
    assert caught.value.remedy, message


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("control", "Control", "'Control' differs from 'control' only in capitals"),
        ("response_s", "Response_S", "Call the column 'response_s'"),
        ("answer", "choice", "column answer: the column is missing"),
        ("switches", "control", "the column occurs twice"),
        ("repeat_of", "repeat of", ""),
        ("group", "", "a column has no name"),
    ],
)
def test_columns_that_would_be_left_unread(tmp_path: Path, old: str, new: str, words: str) -> None:
    columns = tuple(new if name == old else name for name in COLUMNS)
    path = write(tmp_path, rows(), columns=columns)
    if not words:
        assert read_trials(path).notes == (f"column {new!r} is not read. Did you mean {old!r}?",)
        return
    with pytest.raises(InputError, match=re.escape(words)):
        read_trials(path)


def test_spaces_that_a_whole_column_has_are_its_layout(tmp_path: Path) -> None:
    table = rows()
    for row in table:
        row |= {name: f" {row[name]}" for name in ("stage_a", "stage_b", "answer") if row[name]}
    assert set(read_trials(write(tmp_path, table)).frame["stage_a"]) == {"old", "new"}


def test_a_stage_may_be_called_none() -> None:
    table = pd.DataFrame(rows()).replace({"old": "none"})
    assert "none" in set(trial_table(table).frame["stage_a"])


def test_a_missing_listener_of_a_frame_is_not_a_listener() -> None:
    table = pd.DataFrame(rows())
    table["listener"] = table["listener"].astype(object)
    table.loc[2, "listener"] = float("nan")
    with pytest.raises(InputError, match="row 3, column listener: the value is empty"):
        trial_table(table)


ODD_CELLS = {
    "a mixture of people and simulations": (0, "simulated", "1", "1 of 8 rows are of simulated"),
    "a programme left out": (2, "programme", "", "programme is empty in some rows only (line 4)"),
    "two ways to write headphones": (2, "output", "Headphones", "taken for two"),
    "an hour and more": (2, "response_s", "7200", "over an hour (line 4; the longest is 7200 s)"),
    "a clock that was never set": (0, "answered_at", "1970-01-01T00:00:09Z", "was the clock set?"),
    "a day without a time": (0, "answered_at", "2026-03-31", "a day without a time (line 2)"),
    "a year mistyped": (7, "answered_at", "2062-03-31T14:04:00Z", "is a date mistyped?"),
    "a repeat of a trial that is not there": (1, "repeat_of", "9", "does not have (line 3)"),
}


@pytest.mark.parametrize("name", ODD_CELLS)
def test_what_is_odd_but_usable_gets_one_plain_line(tmp_path: Path, name: str) -> None:
    row, column, value, words = ODD_CELLS[name]
    table = rows()
    table[row][column] = value
    (note,) = read_trials(write(tmp_path, table)).notes
    assert words in note
    assert "\n" not in note


# the stage table -----------------------------------------------------------------------

STAGE_HEAD = "stage;made;cost;labour_h;metric_sd_db;metric_sd_db_repeat_sd"
STAGE_ROWS = ["old;;0;0;4,5;0,2", "new;;900;3,5;1,5;0,2", "half;partial step;;;3;0,1"]
BAD_STAGES = {
    "one stage twice": (["new;;800;3;1;0,1"], "line 5, column stage: 'new' occurs twice, first in"),
    "two stages by capitals": (["New;;800;3;1;0,1"], "line 5, column stage: 'New' and 'new'"),
    "two stages by a space": (["new ;;800;3;1;0,1"], "line 5, column stage: 'new' occurs twice"),
    "a metric in words": (["far;;800;3;good;0,1"], "line 5, column metric_sd_db: 'good' is not a"),
    "an endless metric": (["far;;800;3;inf;0,1"], "column metric_sd_db: 'inf' is not a number"),
    "a price with its currency": (["far;;800 EUR;3;1;"], "column cost: '800 EUR' is not a number"),
    "a price on request": (["far;;ask;3;1;0,1"], "line 5, column cost: 'ask' is not a number"),
    "a negative price": (["far;;-5;3;1;0,1"], "line 5, column cost: -5 is negative"),
    "a negative repeat SD": (["far;;5;3;1;-0,1"], "column metric_sd_db_repeat_sd: -0.1 is neg"),
    "an unknown kind of made stage": (["far;swapped;5;3;1;"], "column made: 'swapped' is not a"),
    "a stage without a name": ([";;5;3;1;"], "line 5, column stage: the value is empty"),
    "a stage called NaN": (["NaN;;5;3;1;"], "line 5, column stage: 'NaN' is what programs write"),
}


@pytest.mark.parametrize("name", BAD_STAGES)
def test_a_stage_that_cannot_be_used_is_refused(tmp_path: Path, name: str) -> None:
    more, words = BAD_STAGES[name]
    path = tmp_path / "stages.csv"
    path.write_text("\n".join([STAGE_HEAD, *STAGE_ROWS, *more]), encoding="utf-8")
    with pytest.raises(InputError, match=re.escape(words)) as caught:
        read_stages(path)
    assert str(caught.value).startswith(f"{path}, line 5")


@pytest.mark.parametrize(
    ("head", "words"),
    [
        (STAGE_HEAD.replace("cost", "Cost"), "column Cost: 'Cost' differs from 'cost'"),
        (STAGE_HEAD.replace("metric_sd_db;", "Metric_sd_db;"), "Call the column 'metric_sd_db'"),
        (STAGE_HEAD.replace("metric_sd_db_r", "metric_sd_r"), "repeat SD of metric_sd, which is"),
        (STAGE_HEAD.replace("metric_sd_db;", "metric_;"), "the figure has no name"),
        (STAGE_HEAD.replace("metric_sd_db;", "metric_SD_db;metric_sd_DB;"), "only in capitals"),
    ],
)
def test_columns_of_the_stage_table_that_would_be_left_unread(
    tmp_path: Path, head: str, words: str
) -> None:
    path = tmp_path / "stages.csv"
    rows_ = [row + ";0" * head.count("metric_sd_DB") for row in STAGE_ROWS]
    path.write_text("\n".join([head, *rows_]), encoding="utf-8")
    with pytest.raises(InputError, match=re.escape(words)):
        read_stages(path)


def test_a_stage_table_says_what_it_does_not_read_and_how_it_reads(tmp_path: Path) -> None:
    path = tmp_path / "stages.csv"
    head = STAGE_HEAD.replace("labour_h", "labor_h").replace("made", "colour")
    path.write_text("\n".join([head, *STAGE_ROWS, "far;;1.200;3;1;"]), encoding="utf-8")
    assert read_stages(path).notes == (
        "column 'labor_h' is not read. Did you mean 'labour_h'?",
        "columns that are not read: colour",
        "cost '1.200' (line 5) was read as 1.2; if thousands are meant, write no separator",
    )


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (("sep=;", "stage;cost", "old;1"), "line 1: 'sep=;' is a spreadsheet's note to itself"),
        (("stage;cost", "old,1", "new,2"), "line 2: the rows have one value where the table has 2"),
    ],
)
def test_a_separator_that_does_not_separate(
    tmp_path: Path, lines: tuple[str, ...], words: str
) -> None:
    path = tmp_path / "stages.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(InputError, match=re.escape(words)):
        read_stages(path)


@pytest.mark.parametrize("word", ["yes", "1", "TRUE", "made", "Region-Swap", "anchor"])
def test_words_for_made_stages(word: str) -> None:
    table = stage_table(pd.DataFrame({"stage": ["x", "y"], "made": [word, "no"], "cost": [5, 7]}))
    assert list(table.made) == ["x"]
    assert table.made["x"] in ("yes", "region swap", "anchor")
    assert pd.isna(table.frame["cost"].iloc[0])
    assert table.frame["cost"].iloc[1] == 7
    assert table.notes == ("made stages are nothing to buy, so cost and hours are not used of: x",)


def test_a_table_from_before_there_was_a_column_for_made_stages() -> None:
    frame = pd.DataFrame(
        {"stage": ["a", "b", "c", "d"], "factor_dose": ["", "50", "", ""], "cost": 0.0}
    ).assign(factor_region_bass=["", "", "new", ""])
    table = stage_table(frame)
    assert table.made == {"b": "partial step", "c": "region swap"}
    assert table.notes[0].startswith("there is no column 'made'")
    assert "b, c" in table.notes[0]
    # With the column only the column counts.
    assert stage_table(frame.assign(made=["", "yes", "", ""])).made == {"b": "yes"}


# tables held against each other --------------------------------------------------------


@pytest.fixture
def trials() -> TrialTable:
    return trial_table(pd.DataFrame(rows()))


def stages(*names: str, **columns: object) -> pd.DataFrame:
    return pd.DataFrame({"stage": list(names), "cost": 1.0, **columns})


def test_a_stage_that_the_stage_table_leaves_out_is_named(trials: TrialTable) -> None:
    (note,) = table_notes(trials, stage_table(stages("old", "far")), None)
    assert note.startswith("stage table: it has no row for new, which the trials name")


def test_two_tables_with_two_spellings_are_refused(trials: TrialTable) -> None:
    with pytest.raises(InputError, match=r"s\.csv, stage New: the trials call it 'new'.*capitals"):
        table_notes(trials, stage_table(stages("old", "New"), source="s.csv"), None)
    figures = pd.DataFrame({"programme": ["Kite Street"], "stage": ["old"], "metric_d": [1.0]})
    with pytest.raises(InputError, match="the trials call it 'kite street'"):
        table_notes(trials, None, programme_table(figures))


def test_roles_of_a_rating_are_no_stages_of_the_table() -> None:
    table = pd.DataFrame(rows()[3:4]).assign(stage_a="low-anchor")
    assert table_notes(trial_table(table), stage_table(stages("old")), None) == []


# claims and options --------------------------------------------------------------------

BAD_CLAIMS = {
    "listeners prefer nwe over old": ["no stage 'nwe'", "half, new, old", "Did you mean 'new'?"],
    "listeners prefer New over old": ["no stage 'New'", "Did you mean 'new'?"],
    "listeners can tell new from old.": ["no stage 'old.'", "Did you mean 'old'?"],
    "listeners prefer new most of old and far": ["no stage 'far'"],
    "metric sd orders the stages": ["no metric 'sd'", "Name one of: sd_db"],
    "listener Eve can tell new from old": ["no listener 'Eve'", "Ada, Ben"],
    "listeners prefer new over old among dancers": ["no group 'dancers'", "players"],
    "step half before new": ["'half' is a made stage", "nobody can buy"],
    "listeners prefer new over old at 60 %": ["error rate of 60 %", "at most 50 %"],
}


@pytest.mark.parametrize("claim", BAD_CLAIMS)
def test_a_claim_of_what_is_not_there_is_refused(trials: TrialTable, claim: str) -> None:
    made = stages("old", "new", "half", metric_sd_db=1.0, made=["", "", "partial step"])
    with pytest.raises(InputError) as caught:
        check_claims([claim], trials, stage_table(made), sealed=False)
    message = str(caught.value)
    assert message.startswith("claim 1: ")
    for words in BAD_CLAIMS[claim]:
        assert words in message, message


def test_a_claim_of_a_metric_or_a_step_needs_a_stage_table(trials: TrialTable) -> None:
    for claim in ("metric sd_db orders the stages", "step new before old"):
        with pytest.raises(InputError, match="Give the stage table with --stages"):
            check_claims([claim], trials, None, sealed=False)


def test_a_claim_twice_is_refused(trials: TrialTable) -> None:
    claims = ["listeners prefer new over old", " listeners  prefer new over old"]
    for sealed in (False, True):
        with pytest.raises(InputError, match=r"claim 2: .* is claim 1 again"):
            check_claims(claims, trials, None, sealed=sealed)


def test_a_sealed_claim_of_a_group_that_has_not_come_stays_open(trials: TrialTable) -> None:
    claim = "listeners prefer new over old among dancers"
    (row,) = analyse(trials, claims=[claim], sealed_plan=True, mixed=False).to_dict()["claims"]
    assert row["verdict"] == "undecided"
    assert "No listener of these data is in the group dancers" in row["words"]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("sd_db", None, False), "metric: the metric 'sd_db' stands in no table"),
        (("tilt", None, True), "metric: the data have no metric 'tilt'. Name one of: sd_db"),
        ((None, [-5.0], True), "budget: -5 is no amount"),
        ((None, [float("nan")], True), "budget: nan is no amount"),
        ((None, [500.0], False), "budget: without the stages' costs"),
    ],
)
def test_options_without_ground_are_refused(
    options: tuple[str | None, list[float] | None, bool], words: str
) -> None:
    metric, budgets, with_stages = options
    table = stage_table(stages("old", "new", metric_sd_db=1.0)) if with_stages else None
    with pytest.raises(InputError, match=re.escape(words)):
        check_options(metric, budgets, table)


def test_odd_things_stand_in_the_results(trials: TrialTable) -> None:
    found = analyse(trials, stages=stage_table(stages("old")), mixed=False).to_dict()
    assert found["about"]["notes"] == [
        "stage table: it has no row for new, which the trials name; there are no cost, factors or "
        "figures for it"
    ]
