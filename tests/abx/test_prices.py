"""Prices of a study: blank is unknown, 0 is 0; currency, hourly rate and tax; what they make."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib

import pytest
from streamlit.testing.v1 import AppTest

from abx.errors import InputError
from abx.evidence.collect import stage_table
from abx.evidence.export import write_table
from abx.planning.prices import price_lines
from abx.study.model import Prices, Study
from abx.study.prices import price_columns, stage_price_line
from abx.study.workspace import Workspace
from abx.study_file.reading import study_from_text
from abx.study_file.scaffold import write_scaffold
from abx.web.desk.new_study import NewStage, NewStudy, study_text
from abx.web.pages.words import as_typed
from analysis.tables.stages import read_stages
from helpers.study_desk import STUDY as DESK
from helpers.study_desk import make_desk

# Each stage a step of its own.
STUDY = DESK.replace('factors = { walls = "bare", ceiling = "aged" }\n', "")
PRICES = '[prices]\ncurrency = "EUR"\nhourly_rate = 60\ntax = "20 % sales tax included"\n'
HOURS = STUDY.replace("cost = 400.0", "cost = 400.0\nlabour_h = 1.5").replace(
    'label = "As found"', 'label = "As found"\ncost = 0\nlabour_h = 0'
)


def priced(prices: str = PRICES, text: str = HOURS) -> Study:
    return study_from_text(text.replace("[[stages]]", f"{prices}\n[[stages]]", 1))


def test_what_was_left_blank_is_unknown_and_what_was_typed_stays() -> None:
    study = study_from_text(STUDY.replace("cost = 250.0", "cost = 0.0"))
    assert [stage.cost for stage in study.stages] == [None, 400.0, 0.0, 650.0]
    assert [stage.labour_h for stage in study.stages] == [None] * 4
    assert study.prices == Prices()


def test_currency_rate_and_tax_are_entries_of_the_study_file() -> None:
    assert priced().prices == Prices("EUR", 60.0, "20 % sales tax included")
    assert priced('[prices]\ncurrency = "US$"\n').prices == Prices("US$")


FAULTS = [
    ('currency = "' + "E" * 200 + '"', "prices.currency", "200 characters", "at most 12"),
    ("currency = 5", "prices.currency", "5 is not text", "quotation marks"),
    ('currency = ""', "prices.currency", "empty", "give 'currency' a value"),
    ('currency = "  "', "prices.currency", "empty", "give 'currency' a value"),
    ('currency = "100"', "prices.currency", "'100' is no currency", "EUR"),
    ('currency = "<b>x</b>"', "prices.currency", "is no currency", "EUR"),
    ('currency = "=1+1"', "prices.currency", "is no currency", "EUR"),
    ('currency = "a\\u0007"', "prices.currency", "control characters", "remove them"),
    ('currency = "a\\u202e"', "prices.currency", "control characters", "remove them"),
    ('currency = "\\u200b"', "prices.currency", "is no currency", "EUR"),
    ("hourly_rate = -1", "prices.hourly_rate", "-1 is out of range", "at least 0"),
    ("hourly_rate = nan", "prices.hourly_rate", "nan is out of range", "at least 0"),
    ("hourly_rate = inf", "prices.hourly_rate", "inf is out of range", "at least 0"),
    ('hourly_rate = "60"', "prices.hourly_rate", "'60' is not a number", "write digits"),
    ("hourly_rate = true", "prices.hourly_rate", "True is not a number", "write digits"),
    ('tax = "' + "x" * 201 + '"', "prices.tax", "201 characters", "at most 200"),
    ("rate = 60", "prices.rate", "unknown key 'rate'", "hourly_rate"),
    ("", "prices", "[prices] says nothing", "currency"),
]


@pytest.mark.parametrize(("entry", "where", "problem", "remedy"), FAULTS)
def test_bad_entries_name_line_field_and_remedy(
    entry: str, where: str, problem: str, remedy: str
) -> None:
    line = 5 if not entry else 6
    with pytest.raises(InputError) as caught:
        priced(f"[prices]\n{entry}\n")
    assert caught.value.where == f"line {line}, {where}"
    assert problem in caught.value.problem
    assert remedy in (caught.value.remedy or "")


def test_a_rate_without_any_hours_is_refused() -> None:
    with pytest.raises(InputError, match="no stage says how many hours") as caught:
        priced("[prices]\nhourly_rate = 60\n", STUDY)
    assert caught.value.where == "line 6, prices.hourly_rate"
    assert "labour_h" in (caught.value.remedy or "")


def test_the_stage_table_leaves_unknown_cells_empty_and_carries_currency_and_rate() -> None:
    study = priced()
    rows = [price_columns(study, stage) for stage in study.stages]
    assert [row["cost"] for row in rows] == [0.0, 400.0, 250.0, 650.0]
    assert [row["labour_h"] for row in rows] == [0.0, 1.5, None, None]
    assert {row["currency"] for row in rows} == {"EUR"}
    assert {row["hourly_rate"] for row in rows} == {60.0}
    bare = study_from_text(STUDY)
    assert price_columns(bare, bare.stages[0]) == {"cost": None, "labour_h": None}


def test_a_price_is_said_with_both_parts_and_what_is_not_known() -> None:
    study = priced()
    assert [stage_price_line(study, stage) for stage in study.stages] == [
        "Price: 0 EUR; 0 h of labour (0 EUR); together 0 EUR",
        "Price: 400 EUR; 1.5 h of labour (90 EUR); together 490 EUR",
        "Price: 250 EUR; hours of labour not known",
        "Price: 650 EUR; hours of labour not known",
    ]
    bare = study_from_text(STUDY)
    assert stage_price_line(bare, bare.stages[0]) == "Price: not known; hours of labour not known"
    assert stage_price_line(bare, bare.stages[1]) == "Price: 400; hours of labour not known"
    hours = study_from_text(STUDY.replace("cost = 400.0", "labour_h = 2"))
    assert stage_price_line(hours, hours.stages[1]) == "Price: not known; 2 h of labour"


def test_the_plan_says_what_an_unknown_price_leaves_open() -> None:
    claims = (
        'claims = ["listeners prefer refit over untouched", '
        '"step damped before ceiling for its cost", '
        '"step damped before ceiling for its labour"]\nbudgets = [300, 500]'
    )
    bare = STUDY.replace('claims = ["listeners prefer refit over untouched"]', claims)
    assert price_lines(study_from_text(bare)) == [
        "cost not known: untouched; a step to or from there is in no budget, and no gain for its "
        "cost is given",
        "labour not known: untouched, damped, ceiling, refit; no gain by the hour is given for a "
        "step to or from there",
        "prices count from untouched: if it is the system as found, give it cost = 0.0",
        "budgets 300 and 500: not answered, since the price of untouched, where the steps start, "
        "is not known",
        'claim "step damped before ceiling for its cost" stays undecided: the cost of untouched is '
        "not known",
        'claim "step damped before ceiling for its labour" stays undecided: the labour of '
        "untouched, damped and ceiling is not known",
    ]
    whole = priced(
        PRICES,
        HOURS.replace("cost = 250.0", "cost = 250.0\nlabour_h = 3").replace(
            "cost = 650.0", "cost = 650.0\nlabour_h = 4"
        ),
    )
    assert price_lines(whole) == [
        "prices in EUR, an hour of labour at 60 EUR (20 % sales tax included)"
    ]
    nothing = re.sub(r"cost = .*\n", "", STUDY)
    assert price_lines(study_from_text(nothing)) == [
        "costs and hours of labour not known: no gain for its cost or by the hour is given"
    ]


def test_a_budget_that_some_prices_keep_out_of_says_which() -> None:
    known = STUDY.replace('label = "As found"', 'label = "As found"\ncost = 0')
    some = known.replace("cost = 250.0\n", "").replace(
        "claims =", "budgets = [300.5, 1200]\nclaims ="
    )
    lines = price_lines(study_from_text(some))
    assert "budgets 300.50 and 1,200: ceiling is in none, since its price is not known" in lines

    # With a rate the labour is part of the price, so unknown hours keep a stage out as well.
    with_rate = HOURS.replace("claims =", "budgets = [300]\nclaims =")
    lines = price_lines(priced('[prices]\ncurrency = "€"\nhourly_rate = 0\n', with_rate))
    assert "budget 300 €: ceiling and refit are in none, since their price is not known" in lines


def test_new_studies_write_no_price_that_nobody_gave(tmp_path) -> None:
    file = write_scaffold(tmp_path / "s", title="Saloon", stages=("old", "new"), listeners=4)
    data = tomllib.loads(file.read_text(encoding="utf-8"))
    assert all(not {"cost", "labour_h"} & set(stage) for stage in data["stages"])
    assert "prices" not in data
    assert "# cost = 0.0" in file.read_text(encoding="utf-8")
    # Uncommented without a number it is an error with its line, and never a price of 0.
    text = file.read_text(encoding="utf-8").replace("# cost =  ", "cost =  ", 1)
    with pytest.raises(InputError, match="line "):
        study_from_text(text)


def new_study(*stages: NewStage, **more: object) -> Study:
    new = NewStudy("Saloon", "flat", stages, ("a.wav",), {"paired": 2}, 4, **more)  # type: ignore[arg-type]
    return study_from_text(study_text(new))


def test_the_form_leaves_out_what_was_left_blank() -> None:
    study = new_study(
        NewStage("Old", ("old.csv",), cost=0.0, labour_h=0.0),
        NewStage("New", ("new.csv",), cost=120.0),
        NewStage("Best", ("best.csv",)),
        prices=Prices("kr", 55.5, 'net, "as agreed"'),
    )
    assert [(stage.cost, stage.labour_h) for stage in study.stages] == [
        (0.0, 0.0),
        (120.0, None),
        (None, None),
    ]
    assert study.prices == Prices("kr", 55.5, 'net, "as agreed"')
    bare = new_study(NewStage("Old", ("old.csv",)), NewStage("New", ("new.csv",)))
    assert bare.prices == Prices()


# screens and files ---------------------------------------------------------------------


def test_the_stage_table_on_disk_comes_back_with_its_gaps(tmp_path) -> None:
    study = priced('[prices]\ncurrency = "US$"\nhourly_rate = 62.5\n', HOURS)
    desk = make_desk(tmp_path / "study", text=study.text)
    file = write_table(stage_table(Workspace.open(desk.root), desk.study), tmp_path / "stages.csv")
    head, untouched, damped, ceiling, _ = file.read_text(encoding="utf-8").splitlines()
    assert head.startswith("stage,label,made,cost,labour_h,currency,hourly_rate,")
    assert untouched.startswith("untouched,As found,,0.0,0.0,US$,62.5,")
    assert damped.startswith("damped,damped,,400.0,1.5,US$,62.5,")
    assert ceiling.startswith("ceiling,ceiling,,250.0,,US$,62.5,")
    table = read_stages(file)
    assert (table.currency, table.hourly_rate) == ("US$", 62.5)
    assert table.frame["labour_h"].isna().tolist() == [False, False, True, True]
    bare = make_desk(tmp_path / "bare", text=DESK)
    rows = stage_table(Workspace.open(bare.root), bare.study)
    assert not {"currency", "hourly_rate"} & set(rows.columns)
    assert rows["cost"].isna().tolist() == [True, False, False, False]


@pytest.fixture
def own_main_module(monkeypatch: pytest.MonkeyPatch) -> None:
    """A screen that was run stays the main module; processes started later would run it too."""
    monkeypatch.setitem(sys.modules, "__main__", sys.modules["__main__"])


def _form() -> None:
    import streamlit as st

    from abx.web.desk.files import _ask_prices, _ask_stages

    (stage, other), prices = _ask_stages(["old.csv", "new.csv"], key="new"), _ask_prices()
    st.text(repr((stage.cost, stage.labour_h, other.cost, other.labour_h)))
    st.text(repr((prices.currency, prices.hourly_rate, prices.tax)))


@pytest.mark.usefixtures("own_main_module")
def test_the_desks_form_takes_a_blank_for_not_known_and_a_0_for_0() -> None:
    app = AppTest.from_function(_form).run()
    assert [field.value for field in app.number_input] == [None] * 5
    assert [one.value for one in app.text] == ["(None, None, None, None)", "('', None, '')"]
    assert any("what you leave blank is not known" in one.value for one in app.markdown)
    app.number_input[0].set_value(0.0)
    app.number_input[3].set_value(1.5)
    app.number_input[4].set_value(60.0)
    by = {field.label: field for field in app.text_input}
    by["Currency"].set_value(" kr ")
    app.run()
    assert [one.value for one in app.text] == ["(0.0, None, None, 1.5)", "('kr', 60.0, '')"]


def _preview() -> None:
    from abx.study.model import Prices
    from abx.web.desk.files import _preview
    from abx.web.desk.new_study import NewStage, NewStudy

    stages = (NewStage("Old", ("old.csv",)), NewStage("New", ("new.csv",)))
    rate = Prices("$", 60.0, "$5 each *net*")
    _preview(NewStudy("Saloon", "flat", stages, ("a.wav",), {"rating": 2}, 4, rate))


@pytest.mark.usefixtures("own_main_module")
def test_the_desk_says_what_is_wrong_with_a_rate_before_anything_is_written() -> None:
    app = AppTest.from_function(_preview).run()
    assert "no stage says how many hours" in app.error[0].value


def _shown() -> None:
    import streamlit as st

    from abx.web.desk.files import show_plan

    show_plan(st.session_state["study"])


@pytest.mark.usefixtures("own_main_module")
def test_signs_of_a_currency_stay_signs_on_the_desk() -> None:
    app = AppTest.from_function(_shown, default_timeout=60)
    rating = '[[tests]]\nmethod = "rating"\nstages = "all"\ntrials = 1\n\n[plan]'
    text = re.sub(r"\[\[tests\]\].*\[plan\]", lambda _: rating, HOURS, flags=re.S)
    text = text.replace('claims = ["listeners prefer refit over untouched"]\n', "")
    app.session_state["study"] = priced('[prices]\ncurrency = "$"\ntax = "$5 *net*"\n', text)
    shown = " ".join(one.value for one in app.run().markdown)
    assert as_typed("prices in $ ($5 *net*)") in shown
    assert "$5 *net*" not in shown


def _responses() -> None:
    import streamlit as st

    from abx.web.desk.frame import _show_prices

    _show_prices(st.session_state["study"])


@pytest.mark.usefixtures("own_main_module")
def test_the_desk_shows_each_price_or_that_it_is_not_known() -> None:
    app = AppTest.from_function(_responses)
    app.session_state["study"] = priced('[prices]\ncurrency = "$"\nhourly_rate = 60\n')
    (shown,) = [one.value for one in app.run().markdown]
    assert shown.splitlines() == [
        "- " + as_typed(line)
        for line in (
            "As found: Price: 0 $; 0 h of labour (0 $); together 0 $",
            "damped: Price: 400 $; 1.5 h of labour (90 $); together 490 $",
            "ceiling: Price: 250 $; hours of labour not known",
            "refit: Price: 650 $; hours of labour not known",
        )
    ]


def test_a_study_with_prices_is_read_without_waiting_for_pandas() -> None:
    text = HOURS.replace("[[stages]]", f"{PRICES}\n[[stages]]", 1)
    code = (
        "import sys; from abx.study_file.reading import study_from_text; "
        "print(study_from_text(sys.argv[1]).prices.currency, 'pandas' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code, text], capture_output=True, text=True)
    assert done.stdout.split() == ["EUR", "False"], done.stderr
