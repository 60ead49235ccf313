"""The trial table: what is accepted and what each fault says."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest

from analysis.run import analyse
from analysis.tables.stages import read_stages
from analysis.tables.trials import read_trials, trial_table
from stimuli.files.errors import InputError

HEADER = "listener,session,trial,method,programme,stage_a,stage_b,stage_c,stage_x,answer,control"
GOOD = (
    "P1,s1,1,abx,kite,base,refit,,refit,b,",
    "P1,s1,2,paired,kite,base,refit,,,tie,",
    "P1,s1,3,triangle,kite,base,refit,refit,,a,",
    "P1,s1,4,duo-trio,kite,base,refit,,base,b,",
    "P1,s1,5,same-different,kite,base,refit,,,different,",
    "P1,s1,6,rating,kite,base,,,,72.5,",
    "P1,s1,7,abx,kite,base,base,,base,a,identical",
)


def write(folder: Path, *lines: str, name: str = "trials.csv") -> Path:
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_every_method_is_read_and_scored(tmp_path: Path) -> None:
    table = read_trials(write(tmp_path, HEADER, *GOOD))
    assert table.n_trials == 7
    assert table.n_listeners == 1
    assert not table.simulated
    correct = table.frame["correct"].tolist()
    assert correct[0] == 1.0
    assert pd.isna(correct[1])
    assert correct[2:5] == [1.0, 0.0, 1.0]
    assert table.frame["rating"].iloc[5] == 72.5
    assert pd.isna(correct[6]), "two letters for one sound have no right answer"


@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_other_delimiters_and_decimal_commas(tmp_path: Path, delimiter: str) -> None:
    lines = [line.replace(",", delimiter) for line in (HEADER, *GOOD)]
    lines[6] = lines[6].replace("72.5", "72,5")
    table = read_trials(write(tmp_path, *lines))
    assert table.frame["rating"].iloc[5] == 72.5


def test_byte_order_mark_and_blank_lines_keep_line_numbers(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    bad = GOOD[1].replace(",tie,", ",perhaps,")
    path.write_text("\ufeff" + "\n".join([HEADER, GOOD[0], "", bad]), encoding="utf-8")
    with pytest.raises(InputError, match=r"t\.csv, line 4, column answer: 'perhaps'"):
        read_trials(path)


def test_parquet_gives_the_same_table(tmp_path: Path) -> None:
    table = read_trials(write(tmp_path, HEADER, *GOOD))
    path = tmp_path / "trials.parquet"
    pd.read_csv(tmp_path / "trials.csv", dtype=str).to_parquet(path)
    again = read_trials(path)
    columns = ["listener", "trial", "method", "stage_a", "stage_x", "control", "rating", "correct"]
    pd.testing.assert_frame_equal(table.frame[columns], again.frame[columns])


def test_numbers_as_names_survive_a_frame() -> None:
    frame = pd.DataFrame(
        {
            "listener": [1.0, 2.0],
            "session": [1, 1],
            "trial": [1, 1],
            "method": "paired",
            "stage_a": "i",
            "stage_b": "j",
            "answer": "a",
        }
    )
    assert list(trial_table(frame).frame["listener"]) == ["1", "2"]


@pytest.mark.parametrize(
    ("line", "where", "what"),
    [
        ("P1,s1,8,guess,kite,base,refit,,refit,b,", "line 9, column method", "'guess' is not"),
        ("P1,s1,8,abx,kite,base,refit,,refit,c,", "line 9, column answer", "'c' is not an answer"),
        ("P1,s1,8,abx,kite,base,refit,,refit,,", "line 9, column answer", "the value is empty"),
        ("P1,s1,8,abx,kite,base,refit,,,a,", "line 9, column stage_x", "method abx needs a stage"),
        ("P1,s1,8,abx,kite,base,refit,,damped,a,", "line 9, column stage_x", "neither stage_a nor"),
        ("P1,s1,8,paired,kite,base,,,,a,", "line 9, column stage_b", "method paired needs"),
        ("P1,s1,8,paired,kite,base,base,,,a,", "line 9, column stage_b", "is the same stage"),
        ("P1,s1,8,triangle,kite,a1,b1,c1,,a,", "line 9, column stage_c", "leaves no odd one"),
        ("P1,s1,8,triangle,kite,a1,b1,,,a,", "line 9, column stage_c", "triangle needs a stage"),
        ("P1,s1,8,rating,kite,base,,,,loud,", "line 9, column answer", "'loud' is not a number"),
        ("P1,s1,8,rating,kite,base,,,,101,", "line 9, column answer", "from 0 to 100"),
        ("P1,s1,8,rating,kite,base,,,,,", "line 9, column answer", "the value is empty"),
        ("P1,s1,3,paired,kite,base,refit,,,a,", "line 9, column trial", "already given in line 4"),
        ("P1,s1,x,paired,kite,base,refit,,,a,", "line 9, column trial", "'x' is not a whole"),
        ("P1,s1,0,paired,kite,base,refit,,,a,", "line 9, column trial", "'0' is not a whole"),
        ("P1,s1,1.5,paired,kite,base,refit,,,a,", "line 9, column trial", "'1.5' is not a whole"),
        ("P1,s1,,paired,kite,base,refit,,,a,", "line 9, column trial", "the value is empty"),
        (",s1,8,paired,kite,base,refit,,,a,", "line 9, column listener", "the value is empty"),
        (
            "P1,s1,8,paired,kite,base,refit,,,a,odd",
            "line 9, column control",
            "'odd' is not a known",
        ),
        (
            "P1,s1,8,abx,kite,base,refit,,refit,a,identical",
            "line 9, column control",
            "stages differ",
        ),
        ("P1,s1,8,paired,kite,base", "line 9, column stage_b", "method paired needs a stage"),
        ("P1,s1,8,paired,kite,base,refit", "line 9, column answer", "the value is empty"),
        ("P1,s1,8,paired,kite,base,refit,,,a,,9", "line 9", "12 values where the table has 11"),
    ],
)
def test_each_fault_names_file_line_column_and_value(
    tmp_path: Path, line: str, where: str, what: str
) -> None:
    path = write(tmp_path, HEADER, *GOOD, line)
    with pytest.raises(InputError, match=re.escape(where)) as caught:
        read_trials(path)
    message = str(caught.value)
    assert message.startswith(f"{path}, {where}: ")
    assert what in message
    assert caught.value.remedy
    assert message.endswith(caught.value.remedy + ".")


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "the file is empty"),
        ("\n\n", "the file is empty"),
        (HEADER + "\n", "the table holds no trials"),
        (HEADER.replace("listener", "person") + "\n" + GOOD[0], "column listener: the column is"),
        (HEADER.replace("programme", "trial") + "\n" + GOOD[0], "column trial: the column occurs"),
        (HEADER.replace("programme", "") + "\n" + GOOD[0], "column 5: a column has no name"),
    ],
)
def test_faults_of_the_whole_table(tmp_path: Path, text: str, what: str) -> None:
    path = tmp_path / "trials.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=what):
        read_trials(path)


def test_files_that_are_not_there_or_not_text(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no such file"):
        read_trials(tmp_path / "none.csv")
    with pytest.raises(InputError, match="there is no such file"):
        read_trials(tmp_path / "none.parquet")
    with pytest.raises(InputError, match="cannot be read"):
        read_trials(tmp_path)
    (tmp_path / "x.csv").write_bytes(HEADER.encode() + b"\nP\xff1,s1")
    with pytest.raises(InputError, match=r"line 2: the file is not UTF-8"):
        read_trials(tmp_path / "x.csv")
    (tmp_path / "x.parquet").write_bytes(b"not parquet")
    with pytest.raises(InputError, match="not a readable Parquet table"):
        read_trials(tmp_path / "x.parquet")


def test_simulated_rows_mark_the_table(tmp_path: Path) -> None:
    lines = [HEADER + ",simulated", GOOD[0] + ",0", GOOD[1] + ",1"]
    assert read_trials(write(tmp_path, *lines)).simulated
    lines[2] = GOOD[1] + ",yes"
    with pytest.raises(InputError, match="line 3, column simulated: 'yes' is not 0 or 1"):
        read_trials(write(tmp_path, *lines))


def test_optional_numbers_are_checked(tmp_path: Path) -> None:
    lines = [HEADER + ",response_s", GOOD[0] + ",3.5", GOOD[1] + ",fast"]
    with pytest.raises(InputError, match="line 3, column response_s: 'fast' is not a number"):
        read_trials(write(tmp_path, *lines))


def test_late_buffers_are_counted_in_whole_numbers(tmp_path: Path) -> None:
    head = f"{HEADER},underruns"
    table = read_trials(write(tmp_path, head, GOOD[0] + ",2", GOOD[1] + ",", GOOD[2] + ",0"))
    playback = {"n_counted": 2, "n_stuttered": 1, "n_underruns": 2}
    assert analyse(table).to_dict()["about"]["playback"] == playback
    for wrong in ("-1", "1.5"):
        with pytest.raises(InputError, match=f"line 2, column underruns: '?{wrong}'? is not a who"):
            read_trials(write(tmp_path, head, f"{GOOD[0]},{wrong}"))


def test_stage_table_keeps_factors_and_metrics(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "stage,label,cost,labour_h,factor_walls,metric_sd,metric_sd_repeat_sd",
        "base,As found,0,0,bare,4.5,0.2",
        "refit,,900,3.5,new,1.5,",
    )
    table = read_stages(path)
    assert table.factors == ("walls",)
    assert table.metrics == ("sd",)
    assert list(table.frame["label"]) == ["As found", "refit"]
    assert pd.isna(table.frame["metric_sd_repeat_sd"].iloc[1])


@pytest.mark.parametrize(
    ("lines", "what"),
    [
        (("label", "x"), "column stage: the column is missing"),
        (("stage,cost", "base,-1"), "line 2, column cost: -1 is negative"),
        (("stage,cost", "base,cheap"), "line 2, column cost: 'cheap' is not a number"),
        (("stage,cost", "base,1", "base,2"), "line 3, column stage: 'base' occurs twice"),
        (("stage,cost", ",1"), "line 2, column stage: the value is empty"),
        (("stage,cost",), "the table holds no stages"),
    ],
)
def test_stage_table_faults(tmp_path: Path, lines: tuple[str, ...], what: str) -> None:
    with pytest.raises(InputError, match=what):
        read_stages(write(tmp_path, *lines))
