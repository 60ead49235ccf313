"""The study desk from dropped files to the report, and what it refuses."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from browser_harness import Listener, served
from browser_study import RATE, STAGES, programme_sound, response_table
from playwright.sync_api import Page, expect

from abx.app.new_study import NewStage, NewStudy, group_tables, study_text, write_new_study
from abx.errors import InputError
from abx.server import open_sessions
from abx.study import read_study
from abx.trial import stage_of

DESK = "abx.app.desk_server.serve_desk"


def wav(seconds: float) -> bytes:
    out = io.BytesIO()
    sf.write(out, programme_sound(seconds), RATE, format="WAV")
    return out.getvalue()


def uploads() -> list[dict]:
    files = []
    for number, stage in enumerate(STAGES):
        for position in (1, 2):
            table = response_table(tilt_db_per_decade=3.0 * (number - 1) + 0.2 * position)
            files.append(
                {
                    "name": f"{stage}-p{position}.csv",
                    "mimeType": "text/csv",
                    "buffer": table.encode(),
                }
            )
    return files


@pytest.mark.browser
def test_from_dropped_files_to_the_report(page: Page, tmp_path: Path) -> None:
    root = tmp_path / "study"
    root.mkdir()
    with served(root, DESK) as server:
        page.goto(server.url)
        page.get_by_label("Title of the study").fill('The "Boathouse" trial')
        upload = page.locator("input[type=file]")
        upload.first.set_input_files(uploads())
        expect(page.locator("[data-testid=stDataFrame]")).to_be_visible()
        excerpt = {"name": "ripple.wav", "mimeType": "audio/wav", "buffer": wav(1.5)}
        upload.last.set_input_files([excerpt])
        page.get_by_label("Listeners").fill("4")
        page.get_by_label("Listeners").press("Tab")
        create = page.get_by_role("button", name="Create the study")
        expect(create).to_be_enabled()
        create.click()
        expect(page.get_by_label("Study file")).to_be_visible()
        assert [s.id for s in read_study(root / "study.toml").stages] == list(STAGES)
        refused_edit(page, root)
        visit(page, "Responses")
        expect(page.get_by_text("Deviation from the target")).to_be_visible()
        visit(page, "Sound")
        page.get_by_role("button", name="Render and check").click()
        expect(page.get_by_text("Every check passed.")).to_be_visible(timeout=60_000)
        hear_every_stage(page)
        visit(page, "Plan")
        expect(page.get_by_text("What this panel can find")).to_be_visible()
        visit(page, "Panel")
        page.get_by_role("button", name="Open the study").click()
        expect(page.get_by_text("0 of 4")).to_be_visible()
        answer_everything(root)
        page.reload()
        expect(page.get_by_text("4 of 4")).to_be_visible()
        page.get_by_text("I want to close the study for good").click()
        page.get_by_role("button", name="Close the study").click()
        page.get_by_role("button", name="Analyse and write the report").click()
        with page.expect_download(timeout=90_000) as download:
            page.get_by_role("button", name="Open the report").click(timeout=90_000)
        assert "Boathouse" in download.value.path().read_text(encoding="utf-8")


def visit(page: Page, name: str) -> None:
    page.get_by_role("link", name=name).click()
    expect(page.get_by_role("heading", name=name, exact=True)).to_be_visible()


def refused_edit(page: Page, root: Path) -> None:
    before = (root / "study.toml").read_text(encoding="utf-8")
    box = page.get_by_label("Study file")
    box.fill(before.replace("trials", "trails"))
    box.press("Control+Enter")
    page.get_by_role("button", name="Check and save").click()
    expect(page.get_by_text("Not saved.")).to_be_visible()
    assert (root / "study.toml").read_text(encoding="utf-8") == before


def hear_every_stage(page: Page) -> None:
    page.get_by_text("ripple", exact=True).click()
    someone = Listener(page, "")
    someone.keep_level()
    someone.on_trial()
    someone.hear_all()
    names = [name.inner_text().lower() for name in page.locator(".card-name").all()]
    assert names == list(STAGES)


def answer_everything(root: Path) -> None:
    """Four people who like the stages in the order of the file, three times out of four."""
    rng = np.random.default_rng(8)
    sessions = open_sessions(root)
    try:
        for _ in range(4):
            token = sessions.begin(consent=True)
            slot = sessions.slot(sessions.sitting(token).slot)
            for trial in slot.trials:
                key = sessions.next_trial(token)["trial"]
                first, second = (STAGES.index(stage_of(trial.plays(name))) for name in "ab")
                answer = "a" if (first <= second) == (rng.random() < 0.75) else "b"
                sessions.record_answer(token, key, answer, listened_s={"a": 2.0, "b": 2.0})
    finally:
        sessions.store.close()


NEW = NewStudy(
    title="Trial",
    target="car-cabin",
    stages=(NewStage("Osprey", ("osprey.csv",)), NewStage("Heron", ("heron.csv",))),
    programmes=("ripple.wav",),
    methods=("paired",),
    trials=2,
    listeners=4,
)


def test_a_wrong_table_leaves_the_folder_untouched(tmp_path: Path) -> None:
    files = {"osprey.csv": b"hello", "heron.csv": b"20, 0\n100, 0\n", "ripple.wav": wav(1.0)}
    with pytest.raises(Exception, match=r"osprey\.csv"):
        write_new_study(tmp_path, NEW, files)
    assert list(tmp_path.iterdir()) == []


def test_an_existing_study_is_not_overwritten(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text("format = 1\n", encoding="utf-8")
    with pytest.raises(InputError, match="a study in this folder already"):
        write_new_study(tmp_path, NEW, {})


def test_tables_are_grouped_by_name() -> None:
    names = ["stock 1.csv", "stock 2.csv", "tuned_p10.txt", "both.csv"]
    groups = {"stock": names[:2], "tuned": names[2:3], "both": names[3:]}
    assert group_tables(names) == groups


def test_the_text_keeps_quotes_in_titles() -> None:
    text = study_text(NEW).replace('title = "Trial"', 'title = "A \\"trial\\""')
    assert 'id = "osprey"' in text
    assert np.char.count(text, "[[stages]]") == 2
