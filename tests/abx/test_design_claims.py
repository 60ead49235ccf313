"""The claims that a study makes by its design: which, when they are sealed, and by what judged."""

from __future__ import annotations

from pathlib import Path

import pytest

from abx.planning.power import ask_plan
from abx.planning.schedule import describe_plan
from abx.session.opening import open_study, sealed_design_claims
from abx.store import Store
from abx.store.store import Entry, Vault
from abx.study_file.design_claims import design_claims
from abx.study_file.reading import study_from_text
from helpers.planned_study import planned_study
from helpers.study_desk import STUDY, Desk, make_desk

CROSSED = """\
format = 1
title = "On paper"
target = "house-curve"
[[stages]]
id = "bare"
responses = ["a.csv"]
factors = { panel = "bare", feed = "old" }
[[stages]]
id = "damped"
responses = ["b.csv"]
factors = { panel = "damped", feed = "old" }
[[stages]]
id = "fed"
responses = ["c.csv"]
factors = { panel = "bare", feed = "new" }
[[stages]]
id = "all"
responses = ["d.csv"]
factors = { panel = "damped", feed = "new" }
[[programmes]]
id = "noise"
file = "noise.wav"
[[tests]]
method = "abx"
pairs = [["bare", "damped"]]
trials = 4
[[tests]]
method = "paired"
stages = "all"
trials = 1
[plan]
listeners = 16
claims = [CLAIMS]
"""


def crossed(*claims: str) -> tuple[str, ...]:
    quoted = ", ".join(f'"{claim}"' for claim in claims)
    return design_claims(study_from_text(CROSSED.replace("CLAIMS", quoted)))


def test_a_study_with_steps_asks_which_comes_first() -> None:
    assert crossed("listeners prefer all over bare") == ("step damped before fed",)


@pytest.mark.parametrize(
    "claim",
    [
        "step fed before damped",
        "listeners prefer damped over fed",
        "listeners prefer fed over damped",
    ],
)
def test_what_the_plan_asks_already_is_not_asked_twice(claim: str) -> None:
    assert crossed(claim) == ()


def test_a_price_or_a_group_is_another_question() -> None:
    assert crossed("step fed before damped for its cost") == ("step damped before fed",)


def test_a_plan_without_claims_seals_what_its_design_asks() -> None:
    assert crossed() == (
        "listeners can tell damped from bare",
        "listeners prefer damped over bare",
        "listeners prefer fed over bare",
        "step damped before fed",
    )


def test_stages_without_parts_or_prices_ask_nothing_by_themselves() -> None:
    assert design_claims(planned_study()) == ()
    assert (
        len(design_claims(planned_study(["listeners prefer refit over untouched"], price=90.0)))
        == 3
    )
    only_heard = 'method = "abx"\npairs = [["untouched", "refit"]]\ntrials = 4'
    assert design_claims(planned_study(tests=only_heard, price=90.0)) == ()


def test_the_plan_shows_and_weighs_them() -> None:
    study = study_from_text(CROSSED.replace("CLAIMS", '"listeners prefer all over bare"'))
    lines = describe_plan(study)
    assert "claim, by the design of the study: step damped before fed" in lines
    asked = ask_plan(study)
    assert asked is not None
    assert asked.claims == ("listeners prefer all over bare", "step damped before fed")


@pytest.fixture
def priced(tmp_path: Path) -> Desk:
    """A study whose stages differ in price alone: three first steps."""
    factors = 'factors = { walls = "bare", ceiling = "aged" }\n'
    assert factors in STUDY
    return make_desk(tmp_path / "study", text=STUDY.replace(factors, ""))


def test_they_are_sealed_with_the_study(priced: Desk, local_store: Store) -> None:
    desk = priced
    own = design_claims(desk.study)
    assert len(own) == 3
    open_study(local_store, desk.study, desk.root / "stimuli")
    (study_id,) = local_store.studies()
    opened = local_store.row_by_key(study_id, "study-opened")
    assert opened is not None
    assert opened.content["claims"] == [*desk.study.plan.claims, *own]
    assert sealed_design_claims(local_store, desk.study.sha256) == own
    assert sealed_design_claims(local_store, "another file") == ()


def test_a_study_opened_without_them_keeps_what_it_declared(
    priced: Desk, local_store: Store
) -> None:
    desk = priced
    with local_store.writing("earlier") as chain:
        local_store.keep_vault(
            chain.connection, "earlier", Vault(seed=bytes(32), token_key=bytes(32))
        )
        body = {"study_sha256": desk.study.sha256, "claims": list(desk.study.plan.claims)}
        chain.append(Entry("study-opened", "study-opened", body))
    assert design_claims(desk.study)
    assert sealed_design_claims(local_store, desk.study.sha256) == ()
