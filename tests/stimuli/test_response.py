"""Reading response tables: every way of writing one, and every way of spoiling one."""

from pathlib import Path

import numpy as np
import numpy.testing as npt
import pytest

from stimuli.files.errors import InputError
from stimuli.response.bands import third_octave_bands
from stimuli.response.measured import Response, power_average, read_response, read_stage

BANDS = third_octave_bands(20, 20000)
ROWS = [(f, 70.0 + i * 0.5) for i, f in enumerate(BANDS.nominal_hz)]


def write(tmp_path, text, *, name="table.csv", encoding="utf-8"):
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return path


def table(delimiter, *, decimal=".", header=""):
    lines = [f"{f:g}{delimiter}{level:.1f}".replace(".", decimal) for f, level in ROWS]
    return header + "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    "text",
    [
        table(","),
        table(", "),
        table(";"),
        table("\t"),
        table("   "),
        table(";", decimal=","),
        table("\t", decimal=","),
        table("  ", decimal=","),
        table(",", header="Frequency (Hz),Level (dB)\n"),
        table(";", header="# made up\n* star\n; semicolon\n% percent\n\"quoted\"\nf;L\n\n"),
        table(",").replace("\n", "\r\n"),
        table(";").replace("\n", ";\n"),
    ],
    ids=[
        "comma", "comma-blank", "semicolon", "tab", "blanks", "semicolon-decimal-comma",
        "tab-decimal-comma", "blanks-decimal-comma", "header", "comments", "crlf", "last-delimiter",
    ],
)  # fmt: skip
def test_every_delimiter_and_decimal_sign_reads_the_same(tmp_path, text):
    response = read_response(write(tmp_path, text))
    npt.assert_allclose(response.f_hz, [f for f, _ in ROWS])
    npt.assert_allclose(response.level_db, [level for _, level in ROWS])
    assert response.phase_deg is None
    assert len(response.sha256) == 64


@pytest.mark.parametrize("encoding", ["utf-8-sig", "latin-1", "utf-16", "utf-16-le", "utf-16-be"])
def test_encodings(tmp_path, encoding):
    text = table(";", header="# gemessen in der Kajüte, 20 °C\n")
    response = read_response(write(tmp_path, text, encoding=encoding))
    npt.assert_allclose(response.level_db, [level for _, level in ROWS])


def test_third_column_is_phase(tmp_path):
    text = "".join(f"{f:g}\t{level:g}\t{-i}\n" for i, (f, level) in enumerate(ROWS))
    npt.assert_allclose(read_response(write(tmp_path, text)).phase_deg, -np.arange(len(ROWS)))


def with_line(number, line):
    lines = table(",").splitlines()
    lines[number - 1] = line
    return "\n".join(lines)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (with_line(5, "50,loud"), r"table.csv, line 5: 'loud' stands where a number belongs"),
        (with_line(5, "50"), r"table.csv, line 5: only 1 column found"),
        (with_line(5, "-50,70"), r"table.csv, line 5: frequency -50 Hz is not above zero"),
        (with_line(5, "0,70"), r"table.csv, line 5: frequency 0 Hz is not above zero"),
        (with_line(5, "40,70"), r"table.csv, line 5: frequency 40 Hz appears a second time"),
        (with_line(5, "25,70"), r"table.csv, line 5: frequency 25 Hz comes after 40 Hz"),
        (with_line(5, "50,NaN"), r"table.csv, line 5: 'NaN' is not a finite number"),
        (with_line(5, "50,inf"), r"table.csv, line 5: 'inf' is not a finite number"),
        (with_line(5, "50,,70"), r"table.csv, line 5: a value is missing"),
        (with_line(5, "50,70,0"), r"table.csv, line 5: 3 columns found where the rows before"),
        (with_line(5, "50,7000"), r"table.csv, line 5: level 7000 dB is beyond 200 dB"),
        (with_line(5, "50,-90"), r"table.csv, line 5: levels span \d+ dB"),
        (with_line(1, "20,70,0,1"), r"table.csv, line 1: 4 columns found, at most 3"),
        ("20,0,70,5\n25,0,71,0\n", r"line 1: 4 columns found.*separate columns by semicolons"),
        ("", r"table.csv: the file is empty"),
        ("# nothing\n", r"table.csv: the file holds no rows of numbers"),
        ("f,L\n", r"table.csv: the file holds no rows of numbers"),
        ("".join(f"{f},80\n" for f in range(20, 120, 10)), r"10 points from 20 to 110 Hz.*8000 Hz"),
        ("".join(f"{f / 1000},80\n" for f in BANDS.nominal_hz), "frequencies in kHz"),
        ("".join(f"{f},80\n" for f in (20, 40, 80, 160, 640, 1280, 2560, 5120, 10000)),
         "no point between 160 and 640 Hz, a gap of 2.0 octaves"),
    ],
)  # fmt: skip
def test_spoilt_tables_name_file_and_line(tmp_path, text, words):
    with pytest.raises(InputError, match=words):
        read_response(write(tmp_path, text))


def test_missing_file_and_binary_file(tmp_path):
    with pytest.raises(InputError, match="does not exist"):
        read_response(tmp_path / "none.csv")
    path = tmp_path / "sound.csv"
    path.write_bytes(bytes(range(256)) * 8)
    with pytest.raises(InputError, match="not text"):
        read_response(path)


def test_partial_curve_is_allowed_when_asked(tmp_path):
    response = read_response(write(tmp_path, "20,1\n100,2\n"), whole_range=False)
    assert response.f_hz.tolist() == [20, 100]


def test_power_average_and_spread():
    # 10 log10((10^6 + 10^7) / 2) = 67.404; SD of 60 and 70 with n - 1 is sqrt(50)
    pair = [Response(BANDS.nominal_hz, np.full(31, level)) for level in (60.0, 70.0)]
    stage = power_average(pair)
    npt.assert_allclose(stage.level_db, 67.40362689494244, rtol=1e-12)
    npt.assert_allclose(stage.spread_db, np.sqrt(50), rtol=1e-12)
    assert stage.n_positions == 2


def test_valid_band_of_band_data_is_its_outer_edges():
    stage = power_average([Response(BANDS.nominal_hz, np.zeros(31))])
    npt.assert_allclose(stage.valid_low_hz, BANDS.low_hz[0], rtol=1e-9)
    npt.assert_allclose(stage.valid_high_hz, BANDS.high_hz[-1], rtol=1e-9)
    assert len(stage.bands()) == 31


def test_valid_band_of_a_fine_curve_is_its_ends():
    f = np.geomspace(30, 15000, 600)
    stage = power_average([Response(f, np.zeros(600))])
    assert not stage.is_band_data
    assert (stage.valid_low_hz, stage.valid_high_hz) == (f[0], f[-1])
    assert stage.bands().nominal_hz[[0, -1]].tolist() == [40, 12500]


def test_fine_curve_band_level_is_its_power_mean():
    # |H|^2 proportional to f: level relative to mid-band is (G^(1/6) - G^(-1/6)) / ln(G^(1/3))
    f = np.geomspace(15, 22000, 4000)
    stage = power_average([Response(f, 10 * np.log10(f))])
    bands = stage.bands()
    half, whole = 10**0.05, np.log(10**0.1)
    expected = 10 * np.log10(bands.mid_hz * (half - 1 / half) / whole)
    npt.assert_allclose(stage.band_level_db(bands), expected, atol=1e-3)


def test_positions_with_different_grids_share_their_range(tmp_path):
    short = "\n".join(f"{f:g},{level:g}" for f, level in ROWS[2:-1])
    stage = read_stage(
        [write(tmp_path, table(","), name="a.csv"), write(tmp_path, short, name="b.csv")]
    )
    assert stage.f_hz[[0, -1]].tolist() == [31.5, 16000]
    npt.assert_allclose(stage.spread_db, 0, atol=1e-12)
    assert stage.sources == ("a.csv", "b.csv")


def test_stage_without_tables_is_refused():
    with pytest.raises(InputError, match="no response"):
        power_average([])


def test_a_file_larger_than_any_table_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "film.csv"
    with path.open("wb") as file:
        file.truncate(40_000_000)
    with pytest.raises(InputError, match="has 40 MB; no table of a response is that large"):
        read_response(path)


@pytest.mark.parametrize("odd", ["\x0b", "\x0c", "\x1c", "\x85", "\u2028"])
def test_a_comment_ends_where_an_editor_shows_it_end(tmp_path, odd):
    rows = "".join(f"{20 * 2 ** (k / 3):.2f},70\n" for k in range(30))
    file = tmp_path / "t.csv"
    file.write_text(f"# at 3{odd}5 b m\n{rows}", encoding="utf-8", newline="")
    assert len(read_response(file).f_hz) == 30
    file.write_text(f"# at 3{odd}5 b m\n{rows}x,1\n", encoding="utf-8", newline="")
    with pytest.raises(InputError, match="line 32"):
        read_response(file)
