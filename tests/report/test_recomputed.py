"""Every number of a demonstration's four documents, worked out again from its tables.

The code that does so imports nothing of ours (`tests/helpers/recomputed`). Random draws are drawn
anew, and four Monte Carlo errors are allowed; fits that stop by themselves agree to 1e-4, the SD of
a mixed model to 1e-3, everything else to a millionth.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import helpers.recomputed
from helpers.recomputed import alike, claims, link, shares
from helpers.recomputed.pages import DOCUMENTS, ELSEWHERE, Marked, faults, marked
from helpers.recomputed.study import RECIPES, Recomputed

pytestmark = pytest.mark.xdist_group("recomputed")


@pytest.fixture(scope="module")
def study(demonstration: Path) -> Recomputed:
    return Recomputed(demonstration)


@pytest.fixture(scope="module")
def pages(demonstration: Path) -> dict[str, str]:
    results = demonstration / "rehearsal" / "results"
    return {name: (results / f"{name}.html").read_text("utf-8") for name in DOCUMENTS}


@pytest.fixture(scope="module")
def numbers(pages: dict[str, str]) -> dict[str, list[Marked]]:
    return {name: marked(html) for name, html in pages.items()}


def test_the_independent_code_imports_nothing_of_ours() -> None:
    allowed = {"numpy", "scipy", "pandas", "helpers"}
    for file in Path(helpers.recomputed.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            for name in names:
                top = name.split(".")[0]
                known = top in allowed or top in ("__future__", *_STANDARD)
                assert known, (file, name)
                assert top != "helpers" or "recomputed" in name, (file, name)


_STANDARD = ("ast", "collections", "dataclasses", "functools", "html", "itertools", "json", "math")
_STANDARD += ("pathlib", "re", "tomllib", "typing", "wave")


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_number_is_found_again(
    study: Recomputed, pages: dict[str, str], document: str
) -> None:
    assert faults(study, pages[document]) == []


def test_nothing_is_both_worked_out_and_excused(
    study: Recomputed, numbers: dict[str, list[Marked]]
) -> None:
    assert not set(RECIPES) & set(ELSEWHERE)
    places = {number.pointer for found in numbers.values() for number in found}
    used = {study.pattern(pointer)[0] for pointer in places}
    assert set(ELSEWHERE) - used == set()
    again = [pointer for pointer in places if study.pattern(pointer)[0] in RECIPES]
    # Most of some 1,270 places; the rest are levels and responses.
    assert len(again) > 0.8 * len(places) > 800


# one meaning, one number -------------------------------------------------------------------


def test_what_means_the_same_is_the_same_number(
    study: Recomputed, numbers: dict[str, list[Marked]]
) -> None:
    printed = {n.pointer: n.value for found in numbers.values() for n in found}
    wrong, shared = alike.contradictions(study.words, printed)
    assert wrong == []
    assert shared > 40
    for number in range(len(study.words["claims"])):
        base = f"/results/power_claims/claims/{number}"
        assert float(printed[f"{base}/together"]) <= float(printed[f"{base}/alone"]), base


def test_one_place_is_one_number_in_all_documents(numbers: dict[str, list[Marked]]) -> None:
    values: dict[str, set[str]] = {}
    texts: dict[tuple[str, str], set[str]] = {}
    for found in numbers.values():
        for number in found:
            if number.kind != "length":
                values.setdefault(number.pointer, set()).add(number.value)
            texts.setdefault((number.pointer, number.kind), set()).add(number.text)
    assert [place for place, several in values.items() if len(several) > 1] == []
    assert [place for place, several in texts.items() if len(several) > 1] == []


# words -------------------------------------------------------------------------------------


def plain(study: Recomputed, text: str) -> str:
    """Leave out the names, which may hold digits of their own."""
    names = [*study.stages.index, *study.stages.columns.str.removeprefix("metric_")]
    names += [c.removeprefix("metric_") for c in study.programmes.columns]
    names += list(study.programmes["programme"].unique())
    for name in sorted(names, key=len, reverse=True):
        text = text.replace(name, "")
    return text


def test_the_words_of_claims_hold_no_other_numbers(study: Recomputed) -> None:
    for k, row in enumerate(study.words["claims"]):
        text = plain(study, row["words"])
        if panels := re.search(r"; in (over |under )?(\d+) % of resampled panels", text):
            own, told = claims.in_panels(study, k), int(panels.group(2)) / 100
            room = 4 * own.error + 0.005
            if panels.group(1):
                assert own.value >= told - room if told > 0.5 else own.value <= told + room
            else:
                assert abs(told - own.value) <= room
            text = text.replace(panels.group(0), "")
        said = shares.numbers_in(text)
        assert len(said) > 4
        assert set(said) <= claims.said(study, k), (row["words"], claims.said(study, k))
        if row["needs"] and "about" in row["needs"]:
            told = int(re.search(r"about (\d+) listeners", row["needs"]).group(1))
            assert told == claims.listeners_needed(study, k), row["needs"]


def test_the_words_of_measured_figures_hold_no_other_numbers(study: Recomputed) -> None:
    for k, row in enumerate(study.words["link"]):
        known, drawn = link.said(study, k)
        text = plain(study, row["words"])
        if ends := re.search(r"\(([-+][\d.]+) to ([-+][\d.]+)", text):
            for end, own in zip(ends.groups(), drawn, strict=True):
                assert abs(float(end) - own.value) <= 4 * own.error + 0.005, row["words"]
            text = text.replace(ends.group(0), "")
        said = shares.numbers_in(text)
        assert len(said) > 3
        assert set(said) <= known, (row["words"], set(said) - known)
    for k, row in enumerate(study.words["link_programmes"]):
        said = shares.numbers_in(plain(study, row["words"]))
        assert len(said) > 5
        known = link.said_by_programme(study, k)
        assert set(said) <= known, (row["words"], set(said) - known)


# seen to fail ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pattern", "by"),
    [
        ("/results/claims/*/p_holm", 0.0003),
        ("/results/claims/*/sensitivity/rows/*/p_value", 0.001),
        ("/results/discrimination/*/panel/ci_low", 0.01),
        ("/results/preference/stages/*/centred_listeners_low", 0.01),
        ("/results/preference/pairs/*/wins", 1),
        ("/results/preference/stages/*/p_best", 0.1),
        ("/results/upgrade/first_step/*/per_cost_high", 0.0001),
        ("/results/upgrade/orders/*/probability", 0.1),
        ("/results/reliability/listeners/*/repeat_chance", 0.01),
        ("/results/link/*/lack_of_fit/p_value", 0.001),
        ("/results/link/*/ci_low", 0.05),
        ("/results/power_claims/all", 0.3),
        ("/conduct/tests/*/n_answered", 1),
    ],
)
def test_a_changed_number_is_named(
    study: Recomputed, numbers: dict[str, list[Marked]], pattern: str, by: float
) -> None:
    found = next(n for n in numbers["report"] if study.pattern(n.pointer)[0] == pattern)
    value = float(found.value)
    changed = value - by if value > 0.5 else value + by
    place = f'data-at="{found.pointer}" data-as="{found.kind}"'
    (told,) = faults(study, f'<data value="{changed!r}" {place}>x</data>')
    assert told.startswith(f"{found.pointer}: {changed!r} (x), independently ")
    assert faults(study, f'<data value="{found.value}" {place}>x</data>') == []


def test_a_new_number_cannot_slip_in(study: Recomputed) -> None:
    html = '<data value="0.5" data-at="/results/claims/0/likelihood" data-as="p">0.50</data>'
    assert faults(study, html) == [
        "/results/claims/0/likelihood: nothing works this number out, and it is not said why"
    ]
