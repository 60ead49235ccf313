"""The site builds without a warning, stands alone offline, and agrees with the program."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterable
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from abx.methods import get_method, method_ids
from abx.study_file.reading import Reader, study_from_text
from analysis.run import analyse
from analysis.tables.trials import trial_table
from helpers.docs_pages import DOCS, pages
from helpers.guards import GUARD_S

_MAX_PICTURE_BYTES = 150_000


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("site")
    build = subprocess.run(
        [
            *(sys.executable, "-m", "sphinx", "-q", "-W", "--keep-going", "-b", "html"),
            *("-d", str(folder / "doctrees"), str(DOCS), str(folder / "html")),
        ],
        capture_output=True,
        text=True,
        timeout=GUARD_S,
    )
    assert build.returncode == 0, build.stdout + build.stderr
    return folder / "html"


class _Loads(HTMLParser):
    """Collects what a page loads by itself, links left out."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        wanted = values.get("href") if tag == "link" else values.get("src")
        if wanted and values.get("rel") not in ("canonical", "search"):
            self.found.append(wanted)


def test_site_loads_nothing_from_elsewhere(site: Path) -> None:
    for page in site.rglob("*.html"):
        loads = _Loads()
        loads.feed(page.read_text(encoding="utf-8"))
        elsewhere = [name for name in loads.found if re.match(r"(https?:)?//", name)]
        assert not elsewhere, page.name
    for sheet in site.rglob("*.css"):
        text = sheet.read_text(encoding="utf-8")
        assert not re.search(r"(@import|url\()\s*[\"']?(https?:)?//", text), sheet.name


def test_formulas_are_mathml(site: Path) -> None:
    text = (site / "reference" / "methods.html").read_text(encoding="utf-8")
    assert text.count("<math") > 10
    assert "\\frac" not in text


def test_help_of_every_command_is_in_the_reference(site: Path) -> None:
    from abx.cli import COMMANDS

    text = (site / "reference" / "commands.html").read_text(encoding="utf-8")
    for name in COMMANDS:
        assert f"Usage: earwitness {name} " in text


def test_pictures_are_small_and_used() -> None:
    used = "\n".join(page.read_text(encoding="utf-8") for page in pages())
    used += (DOCS.parents[1] / "README.md").read_text(encoding="utf-8")
    for picture in (DOCS / "pictures").iterdir():
        assert picture.stat().st_size <= _MAX_PICTURE_BYTES, picture.name
        assert picture.name in used, f"{picture.name} is shown nowhere"


def _words(page: str) -> set[str]:
    text = (DOCS / page).read_text(encoding="utf-8")
    return set(re.findall(r"`([^`\s]+)`", text))


def _keys(value: object, free: frozenset[str]) -> set[str]:
    """Return every key below a value; below a key in ``free`` keys are names, not ours."""
    found: set[str] = set()
    if isinstance(value, dict):
        for key, item in value.items():
            found |= {key} | (set() if key in free else _keys(item, free))
    elif isinstance(value, list):
        for item in value:
            found |= _keys(item, free)
    return found


def test_every_key_of_the_results_is_in_the_reference(demonstration: Path) -> None:
    results = json.loads((demonstration / "rehearsal/results/results.json").read_text("utf-8"))
    free = frozenset({"software", "methods", "log_worth", "groups", "outputs"})
    assert not _keys(results, free) - _words("reference/results.md")


def test_every_key_of_the_ratings_is_in_the_reference() -> None:
    rng = np.random.default_rng(1)
    stages = {"hidden-reference": 97, "low-anchor": 30, "mid-anchor": 55, "amber": 75, "basalt": 70}
    rows = [
        {
            "listener": f"l{listener}",
            "session": "1",
            "trial": 10 * programme + place,
            "method": "rating",
            "programme": f"p{programme}",
            "stage_a": stage,
            "answer": float(np.clip(mean + rng.normal(0, 6), 0, 100)),
        }
        for listener in range(6)
        for programme in (1, 2)
        for place, (stage, mean) in enumerate(stages.items())
    ]
    results = analyse(trial_table(pd.DataFrame(rows))).to_dict()
    assert results["ratings"] is not None
    assert not _keys(results["ratings"], frozenset()) - _words("reference/results.md")


def test_every_key_of_the_manifest_is_in_the_reference(demonstration: Path) -> None:
    manifest = json.loads((demonstration / "stimuli/manifest.json").read_text("utf-8"))
    assert not _keys(manifest, frozenset()) - _words("reference/manifest.md")


def test_every_column_is_in_the_reference(demonstration: Path) -> None:
    results = demonstration / "rehearsal" / "results"
    trials = pd.read_csv(results / "trials.csv", nrows=1)
    assert not set(trials.columns) - _words("reference/trial-table.md")
    columns = {name.removeprefix("metric_") for name in pd.read_csv(results / "stages.csv").columns}
    columns |= set(pd.read_csv(results / "programmes.csv").columns)
    plain = {name for name in columns if not name.startswith("factor_")}
    known = _words("reference/stage-table.md")
    assert not {name for name in plain if not name.endswith("_repeat_sd")} - known


def test_the_study_file_page_has_exactly_the_keys_of_the_program(
    demonstration: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    known: dict[str, set[str]] = {}
    only = Reader.only

    def listening(self: Reader, allowed: Iterable[str]) -> None:
        names = tuple(allowed)
        table = next((str(p) for p in reversed(self.path) if isinstance(p, str)), "At the top")
        known.setdefault(table, set()).update(names)
        only(self, names)

    monkeypatch.setattr(Reader, "only", listening)
    text = (demonstration / "study.toml").read_text(encoding="utf-8")
    runs = '\n[region_runs]\nfrom = "as-found"\nto = "refit"\n\n[rendering]\nphase = "linear"\n'
    groups = '\n[groups]\nask = "Do you sing?"\nanswers = { singers = "Yes", others = "No" }\n'
    study_from_text(
        text.replace('target = "house-curve"', "target = { points = [[25, 6], [99, 0]] }")
        + runs
        + groups
    )
    known["playback"] = {"response", "stage", "level_dba"}
    known["tests"] |= {key for name in method_ids() for key in get_method(name).option_keys}
    page = (DOCS / "reference" / "study-file.md").read_text(encoding="utf-8")
    sections = dict(re.findall(r"^##+ (.+)\n((?:(?!^##).*\n)*)", page, re.MULTILINE))
    for table, keys in known.items():
        rows = re.findall(r"^\| `([a-z_]+)` \|", sections[table], re.MULTILINE)
        assert set(rows) - set(method_ids()) == keys, table


def test_the_benchmark_page_is_written_from_the_last_run() -> None:
    import run_all

    record = json.loads(run_all.RECORD.read_text("utf-8"))
    assert run_all.PAGE.read_text("utf-8") == run_all.page(record)
    figures = [figure for run in record["benches"].values() for figure in run["figures"]]
    assert any(figure["plain"] and figure["ratio"] for figure in figures)
    assert {"processor", "cores", "python", "versions"} <= set(record["machine"])
