"""The study desk from dropped files to the report, and what it refuses."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from playwright.sync_api import Locator, Page, expect

from abx.errors import InputError
from abx.study.trial import stage_of
from abx.study_file.reading import read_study
from abx.web.desk.new_study import NewStage, NewStudy, group_tables, study_text, write_new_study
from abx.web.server import open_sessions
from helpers.browser_harness import Listener, served, violations
from helpers.browser_study import RATE, STAGES, programme_sound, response_table

DESK = "abx.web.desk.server.serve_desk"


def wav(seconds: float) -> bytes:
    out = io.BytesIO()
    sf.write(out, programme_sound(seconds), RATE, format="WAV")
    return out.getvalue()


def measured(folder: Path) -> list[Path]:
    """Write two positions of every stage and an excerpt, as somebody has them at hand."""
    folder.mkdir()
    paths = []
    for number, stage in enumerate(STAGES):
        for position in (1, 2):
            table = response_table(tilt_db_per_decade=3.0 * (number - 1) + 0.2 * position)
            paths.append(folder / f"{stage}-p{position}.csv")
            paths[-1].write_text(table, encoding="utf-8")
    paths.append(folder / "ripple.wav")
    paths[-1].write_bytes(wav(1.5))
    return paths


def drop(page: Page, paths: list[Path]) -> None:
    """Drag files from the machine onto the page, as the browser itself gets it."""
    zone = page.get_by_test_id("stFileUploaderDropzone").first
    zone.scroll_into_view_if_needed()
    zone.click(trial=True)  # waits until it stands still
    box = zone.bounding_box()
    assert box is not None
    place = {"x": box["x"] + box["width"] / 2, "y": box["y"] + box["height"] / 2}
    data = {"items": [], "files": [str(path) for path in paths], "dragOperationsMask": 1}
    browser = page.context.new_cdp_session(page)
    for kind in ("dragEnter", "dragOver", "drop"):
        browser.send("Input.dispatchDragEvent", {"type": kind, **place, "data": data})


def refused_drop(page: Page, folder: Path) -> None:
    """What cannot be used is said at once, for every file, and is taken out again."""
    folder.mkdir()
    bad = {"notes.csv": b"hello", "cut.wav": b"RIFF1234", "letter.pdf": b"%PDF"}
    for name, data in bad.items():
        (folder / name).write_bytes(data)
    drop(page, sorted(folder.iterdir()))
    expect(page.get_by_text("notes.csv: the file holds no rows of numbers.")).to_be_visible()
    expect(page.get_by_text("cut.wav: the file cannot be read as sound")).to_be_visible()
    expect(page.get_by_text("letter.pdf: by its ending neither a table")).to_be_visible()
    expect(page.get_by_role("button", name="Create the study")).to_be_disabled()
    for name in bad:
        page.get_by_role("button", name=f"Remove {name}").click()
    expect(page.get_by_text("cut.wav")).to_have_count(0)


@pytest.mark.browser
@pytest.mark.walk
def test_from_dropped_files_to_the_report(page: Page, tmp_path: Path) -> None:
    root = tmp_path / "study"
    root.mkdir()
    files = measured(tmp_path / "at-hand")
    late = [path for path in files if path.name.startswith(STAGES[-1])]
    with served(root, DESK) as server:
        page.goto(server.url)
        write(page, "Title of the study", 'The "Boathouse" trial')
        refused_drop(page, tmp_path / "bad")
        drop(page, [path for path in files if path not in late])
        expect(page.get_by_text("Measured in heron-p1.csv, heron-p2.csv")).to_be_visible()
        write(page, "Listeners", "4")
        simulated(page, "Paired preference")
        page.get_by_role("button", name="Create the study").click()
        expect(page.get_by_label("Study file")).to_be_visible()
        add_a_stage(page, late)
        assert [s.id for s in read_study(root / "study.toml").stages] == list(STAGES)
        refused_edit(page, root)
        visit(page, "Responses")
        assert violations(page) == []
        expect(page.get_by_text("Deviation from the target")).to_be_visible()
        visit(page, "Sound")
        page.get_by_role("button", name="Render and check").click()
        expect(page.get_by_role("progressbar")).to_be_visible()
        expect(page.get_by_text("checks passed.")).to_be_visible()
        assert violations(page) == []
        hear_every_stage(page)
        change_the_plan(page, root)
        visit(page, "Panel")
        page.get_by_role("button", name="Open the study").click()
        expect(page.get_by_text("0 of 4")).to_be_visible()
        answer_everything(root)
        expect(page.get_by_text("4 of 4")).to_be_visible()  # it counts again by itself
        expect(page.get_by_text("the two orders differ by 0 at most")).to_be_visible()
        assert violations(page) == []
        sealed_from_now_on(page)
        page.get_by_text("I want to close the study for good").click()
        page.get_by_role("button", name="Close the study").click()
        page.get_by_role("button", name="Analyse and write the report").click()
        with page.expect_popup() as opened:
            page.get_by_role("link", name="Open the report").click()
        expect(opened.value.get_by_text("Boathouse").first).to_be_visible()


def settled(page: Page) -> None:
    """Wait, as people do, until the page stands still."""
    app = page.get_by_test_id("stApp")
    expect(app).to_have_attribute("data-test-script-state", "notRunning")


def only(page: Page, field: Locator) -> Locator:
    """The field once the page stands still: a re-run shows its old copy for a moment longer."""
    settled(page)
    expect(field).to_have_count(1)
    return field


def simulated(page: Page, name: str) -> None:
    """Wait until the first simulated studies of a plan are shown; people go on typing."""
    expect(page.get_by_role("row", name=name)).to_be_visible(timeout=240_000)


def write(page: Page, label: str, text: str) -> None:
    field = only(page, page.get_by_label(label, exact=True))
    field.fill(text)
    field.press("Tab")
    settled(page)


def add_a_stage(page: Page, files: list[Path]) -> None:
    page.get_by_text("Add stages or music").click()
    drop(page, files)
    expect(page.get_by_text("Measured in plover-p1.csv, plover-p2.csv")).to_be_visible()
    write(page, "Stage", STAGES[-1].capitalize())
    page.get_by_role("button", name="Add to the study").click()
    expect(page.get_by_text("Added. Render the sound again")).to_be_visible()


def change_the_plan(page: Page, root: Path) -> None:
    """The power is shown for what is typed, before it is saved."""
    visit(page, "Plan")
    assert violations(page) == []
    expect(page.get_by_role("row", name="ABX")).to_have_count(0)
    page.get_by_text("Is a difference heard: which of two is X (ABX)").click()
    simulated(page, "ABX")
    write(page, "Trials, ABX", "3")
    expect(page.get_by_text("--trials abx=3 --save")).to_be_visible()
    page.get_by_text("Is a difference heard: which of two is X (ABX)").click()
    expect(page.get_by_role("button", name="Save this plan")).to_have_count(0)
    write(page, "Trials, Paired preference", "4")
    page.get_by_role("button", name="Save this plan").click()
    expect(page.get_by_role("button", name="Save this plan")).to_have_count(0)
    assert [test.trials for test in read_study(root / "study.toml").tests] == [4]


def sealed_from_now_on(page: Page) -> None:
    for name, button in (("Files", "Check and save"), ("Sound", "Render and check")):
        visit(page, name)
        expect(page.get_by_role("button", name=button)).to_be_disabled()
        expect(page.get_by_text("are sealed until it is closed")).to_be_visible()
    visit(page, "Panel")


def visit(page: Page, name: str) -> None:
    page.get_by_role("link", name=name).click()
    expect(page.get_by_role("heading", name=name, exact=True)).to_be_visible()
    settled(page)


def refused_edit(page: Page, root: Path) -> None:
    before = (root / "study.toml").read_text(encoding="utf-8")
    box = only(page, page.get_by_label("Study file"))
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
    target="house-curve",
    stages=(NewStage("Osprey", ("osprey.csv",)), NewStage("Heron", ("heron.csv",))),
    programmes=("ripple.wav",),
    methods={"paired": 2},
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
    names = ["untouched 1.csv", "untouched 2.csv", "aligned_p10.txt", "refit.csv"]
    groups = {"untouched": names[:2], "aligned": names[2:3], "refit": names[3:]}
    assert group_tables(names) == groups


def test_the_text_keeps_quotes_in_titles() -> None:
    text = study_text(NEW).replace('title = "Trial"', 'title = "A \\"trial\\""')
    assert 'id = "osprey"' in text
    assert np.char.count(text, "[[stages]]") == 2
