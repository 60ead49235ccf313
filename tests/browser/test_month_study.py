"""A researcher with 24 SIMULATED listeners and 8 stages; a reviewer with the bundle and a claim.

The researcher swaps three frequency regions between two stages, asks for ratings and for
preferences, and types ``plan``, ``render``, ``serve``, ``close``, ``report``,
``export --bundle``. In Chromium: the welcome pages, the ratings of one listener, the last two
questions of another, the researcher's report. The other 22 sittings are begun by the same call as
the page's button; whoever does not answer at the screen sends the player's own requests.

The reviewer has the bundle, nothing else, and somebody's table in columns of its own; types
``verify`` and ``analyse`` and opens the reports in Chromium.
"""

from __future__ import annotations

import csv
import json
import math
import zipfile
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
import soundfile
from playwright.sync_api import Browser, BrowserContext, Page, expect

from abx.demo.build import POSITIONS, STAGES, response_name, response_table
from helpers.browser_harness import Listener
from helpers.guards import patient
from helpers.month_people import Person, earwitness, opened, sit_down

pytestmark = [pytest.mark.browser, pytest.mark.walk]

LISTENERS = 24
REGIONS = ("bass", "mid", "treble")
MADE = [list(run) for size in (1, 2) for run in combinations(REGIONS, size)]
NAMES = ["as-found", *("new-" + "-".join(run) for run in MADE), "refit"]
CLAIM = "listeners prefer refit over as-found"

STUDY = """\
format = 1
title = "Which region carries the gain (SIMULATED listeners)"
target = "house-curve"

{stages}
[[programmes]]
id = "rain"
file = "programmes/rain.wav"

[[tests]]
method = "rating"
stages = "all"
reference = "refit"
trials = 1
practice = 0

[[tests]]
method = "paired"
pairs = {pairs}
trials = 1
practice = 0

[plan]
listeners = 24
claims = ["{claim}"]
"""


def stage_block(name: str, swapped: set[str], more: str) -> str:
    factors = ", ".join(f'region_{r} = "{"new" if r in swapped else "old"}"' for r in REGIONS)
    head = f'[[stages]]\nid = "{name}"\nlabel = "{name}"\n'
    return f"{head}{more}\nfactors = {{ {factors} }}\n"


def prepare(folder: Path) -> Path:
    """Follow the guide on region swaps: two measured stages and six that are made of them."""
    root = folder / "swaps"
    for name in ("responses", "programmes"):
        (root / name).mkdir(parents=True)
    files: dict[str, list[str]] = {"as-found": [], "refit": []}
    for stage in STAGES:
        for position in range(len(POSITIONS)):
            table = response_name(stage, position)
            if (of := table.rsplit("-p", 1)[0]) in files:
                (root / "responses" / table).write_text(response_table(stage, position))
                files[of].append(f"responses/{table}")
    listed = {of: f"responses = {json.dumps(tables)}" for of, tables in files.items()}
    blocks = [stage_block("as-found", set(), listed["as-found"])]
    for run in MADE:
        made = f'made = {{ from = "as-found", regions = {json.dumps(run)}, of = "refit" }}'
        blocks.append(stage_block("new-" + "-".join(run), set(run), made))
    blocks.append(stage_block("refit", set(REGIONS), listed["refit"]))
    pairs = [[one, other] for one, other in zip(NAMES, NAMES[1:] + NAMES[:1], strict=True)]
    text = STUDY.format(stages="\n".join(blocks), pairs=json.dumps(pairs), claim=CLAIM)
    (root / "study.toml").write_text(text)
    noise = np.random.default_rng(4).uniform(-0.3, 0.3, (4 * 48_000, 2))
    soundfile.write(root / "programmes/rain.wav", noise, 48_000)
    return root


def listen(page: Page, root: Path, url: str) -> None:
    """Bring 24 simulated listeners through the study."""
    someone = Listener(page, url)
    someone.welcome_to_level()
    first = Person(root, url, page.url.split("s=")[1], seed=1)
    someone.keep_level()
    assert first.answer_at_the_screen(page, at_most=1) == 1
    first.answer_over_http()
    page.reload()
    expect(page.get_by_role("heading", name="Thank you")).to_be_visible()
    token = sit_down(root)
    second = Person(root, url, token, seed=2)
    second.answer_over_http(leave=2)
    page.goto(f"{url}/?s={token}")
    someone.keep_level()
    assert second.answer_at_the_screen(page) == 2
    expect(page.get_by_role("heading", name="Thank you")).to_be_visible()
    for number in range(3, LISTENERS + 1):
        Person(root, url, sit_down(root), seed=number).answer_over_http()


@pytest.fixture(scope="module")
def study(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("researcher")
    root = prepare(folder)
    assert "FAILS" not in earwitness("render", "swaps", cwd=folder)
    assert "24 listeners, 8 stages" in earwitness("plan", "swaps", cwd=folder)
    context = patient(browser.new_context(viewport={"width": 1280, "height": 800}))
    with opened(root) as url:
        listen(context.new_page(), root, url)
    context.close()
    said = earwitness("close", "swaps", "--yes", cwd=folder)
    assert "24 of 24 planned listeners have finished." in said
    earwitness("report", "swaps", cwd=folder)
    earwitness("export", "swaps", "--parquet", "--bundle", "evidence.zip", cwd=folder)
    return root


def test_the_researcher_gets_ratings_regions_and_tables(study: Path) -> None:
    results = json.loads((study / "results/results.json").read_text("utf-8"))
    assert results["about"]["n_listeners"] == LISTENERS
    assert results["about"]["simulated"] is False  # they came through the pages, like people
    rated = {stage["stage"] for stage in results["ratings"]["stages"]}
    assert {"hidden-reference", *NAMES[:-1]} <= rated
    assert {row["region"] for row in results["regions"]["regions"]} == set(REGIONS)
    assert len(results["preference"]["stages"]) == 8
    assert [claim["text"] for claim in results["claims"]] == [CLAIM]
    with (study / "results/trials.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    keys = {(row["session"], row["trial"], row["stage_a"]) for row in rows}
    assert len(keys) == len(rows)
    assert (study / "results/trials.parquet").is_file()


def opens_offline(page: Page, path: Path) -> None:
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(path.as_uri())
    expect(page.get_by_role("heading").first).to_be_visible()
    assert [url for url in asked if not url.startswith(("file:", "data:", "blob:"))] == []


def test_the_researchers_report_gives_its_data_away(page: Page, study: Path) -> None:
    opens_offline(page, study / "results/researcher-report.html")
    with page.expect_download() as waiting:
        page.locator("a[download$='.csv']").first.click()
    table = waiting.value.path().read_text("utf-8")
    assert table.count("\n") > 2
    assert "," in table.splitlines()[0]


def test_a_reviewer_checks_the_bundle_elsewhere(study: Path, tmp_path: Path, page: Page) -> None:
    bundle = tmp_path / "from-somebody.zip"
    bundle.write_bytes((study.parent / "evidence.zip").read_bytes())
    said = earwitness("verify", bundle.name, cwd=tmp_path)
    assert "Every check holds." in said
    assert "results.json: every number and verdict comes out again" in said
    with zipfile.ZipFile(bundle) as archive:
        archive.extractall(tmp_path / "unpacked")
    results = tmp_path / "unpacked" / "results"
    again = earwitness(
        *("analyse", results / "trials.csv", "--stages", results / "stages.csv"),
        *("--claim", CLAIM, "--json", "again.json"),
        cwd=tmp_path,
    )
    stored = json.loads((results / "results.json").read_text("utf-8"))["claims"][0]
    assert f"{stored['verdict']}" in again
    opens_offline(page, results / "report.html")
    expect(page.get_by_text(CLAIM).first).to_be_attached()


FOREIGN = "Person;Left;Right;Choice\n" + "\n".join(
    f"visitor {person};{left};{right};{'amber' if person % 10 < 7 else 'basalt'}"
    for person in range(40)
    for left, right in [("amber", "basalt") if person % 2 else ("basalt", "amber")]
)


def test_a_reviewer_judges_somebodys_table(
    context: BrowserContext, page: Page, tmp_path: Path
) -> None:
    """'28 of 40 visitors preferred amber': the table as it came is refused, in words."""
    (tmp_path / "votes.csv").write_text(FOREIGN)
    refused = earwitness("analyse", "votes.csv", cwd=tmp_path, code=2)
    for column in ("votes.csv", "listener", "stage_a", "answer"):
        assert column in refused
    with (tmp_path / "votes.csv").open(newline="") as file:
        theirs = list(csv.DictReader(file, delimiter=";"))
    with (tmp_path / "trials.csv").open("w", newline="") as file:
        table = csv.writer(file)
        table.writerow("listener session trial method stage_a stage_b answer".split())
        for row in theirs:
            answer = "a" if row["Choice"] == row["Left"] else "b"
            person = row["Person"].replace(" ", "-")
            table.writerow([person, 1, 1, "paired", row["Left"], row["Right"], answer])
    claim = "listeners prefer amber over basalt"
    said = earwitness(
        *("analyse", "trials.csv", "--claim", claim, "--report", "theirs.html"), cwd=tmp_path
    )
    assert "supported" in said
    results = json.loads((tmp_path / "results.json").read_text("utf-8"))
    pair = results["preference"]["pairs"][0]
    exact = 2 * sum(math.comb(40, k) for k in range(28, 41)) / 2**40  # sign test, closed form
    assert pair["p_value"] == pytest.approx(exact, rel=1e-9)
    opens_offline(page, tmp_path / "theirs.html")
    expect(page.get_by_text("supported", exact=False).first).to_be_visible()
