"""The typed results: the same as their JSON, frozen, as tables, and refused by name."""

from __future__ import annotations

import copy
import json
import re
import typing
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import msgspec
import pandas as pd
import pytest

import abx
from analysis.results.base import ResultBlock
from analysis.results.frames import FRAMES
from analysis.results.schema import results_schema, schema_text
from analysis.results.whole import Results
from analysis.run import analyse
from analysis.tables.stages import stage_table
from analysis.tables.trials import trial_table
from helpers.report_example import CLAIMS, simulated_trials
from stimuli.files.errors import InputError

PUBLISHED = Path(abx.__file__).parent / "docs" / "reference" / "results.schema.json"
STAGES = {
    "stage": ["as-found", "damped", "ceiling", "refit", "low-unit", "aligned"],
    "cost": [0.0, 520.0, 410.0, 930.0, 1460.0, 1690.0],
    "labour_h": [0.0, 1.5, 3.0, 4.0, 7.5, 9.0],
    "factor_walls": ["bare", "damped", "bare", "damped", "damped", "damped"],
    "factor_ceiling": ["aged", "aged", "new", "new", "new", "new"],
    "metric_deviation_sd_db": [6.0, 5.1, 3.9, 3.0, 1.2, 0.5],
}


@pytest.fixture(scope="module")
def results() -> Results:
    """A study with paired answers, ABX, controls, prices, a figure, claims and a screening rule."""
    return analyse(
        trial_table(simulated_trials(n_listeners=12)),
        stages=stage_table(pd.DataFrame(STAGES)),
        claims=CLAIMS,
        screening="obvious controls at least 50 %",
        power_studies=20,
    )


@pytest.fixture(scope="module")
def data(results: Results) -> dict[str, Any]:
    return results.to_dict()


def test_reading_the_json_gives_the_same_blocks(results: Results) -> None:
    again = Results.from_json(results.to_json())
    assert again == results
    assert again.to_json() == results.to_json()


def test_the_json_is_plain_and_strict(results: Results, data: dict[str, Any]) -> None:
    assert json.loads(json.dumps(data, allow_nan=False)) == data
    assert results.to_json() == json.dumps(data, indent=1, ensure_ascii=False) + "\n"


def test_a_published_analysis_reads_back(judgement_result: dict[str, Any]) -> None:
    assert Results.from_dict(judgement_result).to_dict() == judgement_result


def test_the_results_are_frozen(results: Results) -> None:
    assert results.preference is not None
    with pytest.raises(AttributeError, match="immutable"):
        results.preference.stages[0].worth = 1.0  # type: ignore[misc]
    with pytest.raises(AttributeError, match="immutable"):
        results.claims = ()  # type: ignore[misc]


def test_a_file_reads_as_the_analysis_gave_it(results: Results, tmp_path: Path) -> None:
    file = tmp_path / "results.json"
    file.write_text(results.to_json(), encoding="utf-8")
    assert Results.read(file) == results


def put(data: dict[str, Any], keys: tuple[str | int, ...], value: Any) -> dict[str, Any]:
    changed = copy.deepcopy(data)
    place: Any = changed
    for key in keys[:-1]:
        place = place[key]
    if value is None:
        del place[keys[-1]]
    else:
        place[keys[-1]] = value
    return changed


@pytest.mark.parametrize(
    ("keys", "value", "said"),
    [
        (("preference", "stages", 1, "worth"), None, "preference/stages/1/worth: this field is mi"),
        (("preference", "stages", 1, "worth"), "high", "preference/stages/1/worth: 'high' is not "),
        (("claims", 0, "verdict"), 3, "claims/0/verdict: 3 is not a text"),
        (("claims",), {}, "claims: this is not a list"),
        (("upgrade", "prices"), [], "upgrade/prices: this is not an object"),
        (("about", "n_trials"), 1.5, "about/n_trials: 1.5 is not a whole number"),
        (("about", "simulated"), "yes", "about/simulated: 'yes' is neither true nor false"),
        (("answer", "lead", "colour"), "red", "answer/lead/colour: nothing is known of this field"),
    ],
)
def test_what_does_not_fit_is_named(
    data: dict[str, Any], keys: tuple[str | int, ...], value: Any, said: str
) -> None:
    with pytest.raises(InputError, match=f"theirs.json, /{re.escape(said)}"):
        Results.from_dict(put(data, keys, value), source="theirs.json")


def test_a_file_that_is_no_json_is_named(tmp_path: Path) -> None:
    file = tmp_path / "results.json"
    with pytest.raises(InputError, match=r"results\.json: No such file"):
        Results.read(file)
    file.write_text("{", encoding="utf-8")
    with pytest.raises(InputError, match=r"results\.json: this is not JSON"):
        Results.read(file)


# tables ----------------------------------------------------------------------------------


def tables_of(kind: Any, path: str = "") -> Iterator[str]:
    """Yield the places of all tables in a type, those of one claim's screened copy left out."""
    for field in msgspec.structs.fields(kind):
        name = f"{path}.{field.name}" if path else field.name
        for part in (field.type, *typing.get_args(field.type)):
            rows = typing.get_origin(part) is tuple
            for own in (*typing.get_args(part), part) if rows else (part,):
                if isinstance(own, type) and issubclass(own, ResultBlock) and name != "screened":
                    if rows:
                        yield name
                    yield from tables_of(own, name)


def test_every_table_has_a_name() -> None:
    inner = {
        # Short tables inside the rows of a listed one, whose figures stand in that row.
        *("upgrade.classes.first_step", "upgrade.classes.order", "upgrade.classes.orders"),
        "link_programmes.programmes.points",
    }
    assert {name for name in tables_of(Results) if name not in inner} == set(FRAMES)


def test_a_table_holds_its_rows(results: Results, data: dict[str, Any]) -> None:
    frame = results.frame("preference.stages")
    rows = data["preference"]["stages"]
    assert frame["stage"].tolist() == [row["stage"] for row in rows]
    assert frame["log_worth"].tolist() == [row["log_worth"] for row in rows]
    assert frame["log_worth"].dtype == float


def test_blocks_inside_a_row_become_columns(results: Results, data: dict[str, Any]) -> None:
    frame = results.frame("discrimination")
    rows = data["discrimination"]
    known = [row["panel"]["p_value"] for row in rows if "panel" in row]
    assert frame["panel.p_value"].dropna().tolist() == known
    assert "panel" not in frame


def test_a_table_inside_rows_says_which_row(results: Results, data: dict[str, Any]) -> None:
    frame = results.frame("link.points")
    assert frame.columns.tolist() == ["metric", "stage", "x", "repeat_sd", "y"]
    assert len(frame) == sum(len(row["points"]) for row in data["link"])
    assert frame["repeat_sd"].isna().all()


@pytest.mark.parametrize("name", FRAMES)
def test_every_table_can_be_asked_for(results: Results, name: str) -> None:
    assert isinstance(results.frame(name), pd.DataFrame)
    assert Results().frame(name).empty


def test_an_unknown_table_is_refused_with_the_known_ones(results: Results) -> None:
    with pytest.raises(InputError, match=r"'preference.votes' is not a table .* preference.pairs,"):
        results.frame("preference.votes")


# notebooks -------------------------------------------------------------------------------


def test_the_short_form_counts_and_marks(results: Results) -> None:
    # 12 listeners of 21 paired, 12 ABX and one control.
    assert len(repr(results)) < 200
    assert repr(results).startswith("<Results: 408 trials of 12 simulated listeners")


def test_the_notebooks_form_is_marked_and_escaped(results: Results, data: dict[str, Any]) -> None:
    page = results._repr_html_()
    assert "simulated listeners" in page
    assert "<code>preference.stages</code>" in page
    assert "<code>ratings.stages</code>" not in page
    harmful = put(data, ("claims", 0, "text"), "<script>x</script>")
    assert "<script>" not in Results.from_dict(harmful)._repr_html_()


# schema ----------------------------------------------------------------------------------


def test_the_published_schema_is_that_of_the_types() -> None:
    assert PUBLISHED.read_text(encoding="utf-8") == schema_text()


def test_the_schema_is_a_schema_and_the_results_fit(
    data: dict[str, Any], judgement_result: dict[str, Any]
) -> None:
    schema = results_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    check = jsonschema.Draft202012Validator(schema)
    for found in (data, judgement_result):
        check.validate(found)


def test_the_schema_refuses_what_the_types_refuse(data: dict[str, Any]) -> None:
    check = jsonschema.Draft202012Validator(results_schema())
    for keys, value in (
        (("preference", "stages", 1, "worth"), "high"),
        (("preference", "stages", 1, "worth"), None),
        (("answer", "lead", "colour"), "red"),
    ):
        with pytest.raises(jsonschema.ValidationError):
            check.validate(put(data, keys, value))


def test_every_field_is_documented() -> None:
    for name, part in results_schema()["$defs"].items():
        assert part["description"], name


def test_every_table_stands_in_the_documentation() -> None:
    page = (PUBLISHED.parent / "python.md").read_text(encoding="utf-8")
    listed = dict(re.findall(r"^\| `([a-z_.]+)` \| (.*) \|$", page, re.M))
    assert {name: words for name, words in listed.items() if name in FRAMES} == FRAMES
