"""Places of typed results: each field knows where it stands, whatever it is called."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from analysis.report.evidence import Evidence, FieldPlace
from analysis.report.words.numbers import Numbers
from analysis.results.base import ResultBlock
from helpers.whole_rows import whole_results

RESULTS = {
    "predictions": [{"stage": "new", "value": 3.5, "share": None}],
    "power_claims": {"all": 0.4, "claims": []},
    "preference": {"programmes": {"by_programme": [{"log_worth": {"a/b": 0.25}}]}},
}


@pytest.fixture(scope="module")
def evidence() -> Evidence:
    return Evidence({"results": whole_results(RESULTS)})


def shown(evidence: Evidence, place: Any) -> str:
    return str(Numbers(evidence).show(place, "plain"))


def test_a_field_is_written_with_its_place(evidence: Evidence) -> None:
    results = evidence.results
    found, claims = evidence.at(results.predictions[0]), results.power_claims
    assert 'data-at="/results/predictions/0/value"' in shown(evidence, found.value)
    assert ">3.5<" in shown(evidence, found.value)
    # Undefined, and called otherwise in JSON.
    assert 'value="" data-at="/results/predictions/0/share"' in shown(evidence, found.share)
    assert claims is not None
    assert 'data-at="/results/power_claims/all"' in shown(evidence, evidence.at(claims).every)


def test_figures_by_name_keep_their_place(evidence: Evidence) -> None:
    preference = evidence.results.preference
    assert preference is not None
    assert preference.programmes is not None
    row = preference.programmes.by_programme[0]
    worths: Any = evidence.at(row).log_worth
    place = "/results/preference/programmes/by_programme/0/log_worth/a~1b"
    assert f'data-at="{place}"' in shown(evidence, worths["a/b"])


def test_a_field_that_is_not_there_is_an_error(evidence: Evidence) -> None:
    places: Any = evidence.at(evidence.results.predictions[0])
    with pytest.raises(KeyError, match="colour"):
        _ = places.colour


def kinds(kind: type[ResultBlock]) -> list[type[ResultBlock]]:
    return [kind, *(own for below in kind.__subclasses__() for own in kinds(below))]


def test_no_field_hides_behind_what_a_place_has_itself() -> None:
    own = {name for name in dir(FieldPlace) if not name.startswith("__")}
    for kind in kinds(ResultBlock):
        if kind is not ResultBlock:
            assert not own & {field.name for field in msgspec.structs.fields(kind)}, kind
