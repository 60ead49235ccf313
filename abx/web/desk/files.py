"""The desk's page for files: a study from dropped files, more files later, the study file."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import streamlit as st

from abx.errors import SHOWN
from abx.study.model import Prices
from abx.study_file.edit import save_study
from abx.study_file.reading import study_from_text
from abx.text.tokens import element_key
from abx.web.desk.context import desk_root
from abx.web.desk.frame import command_hint, open_workspace, pressed, sealed
from abx.web.desk.new_study import (
    NewStage,
    NewStudy,
    add_to_study,
    file_fault,
    group_tables,
    is_sound,
    names_used_twice,
    study_text,
    write_new_study,
)
from abx.web.desk.plan import ask_methods, show_plan
from abx.web.pages.words import as_code, as_typed, show_error
from stimuli.response.target import BUILT_IN_TARGETS

__all__ = ["files_page"]

_UNKNOWN = "not known"


def files_page() -> None:
    """Create a study from files, or add to it and edit the study file."""
    st.title("Files")
    if (desk_root() / "study.toml").is_file():
        _edit()
    else:
        _create()


# A new study --------------------------------------------------------------------------------


def _create() -> None:
    st.write("Say what it is, drop what you measured and the music, and read what it can find.")
    title = st.text_input("Title of the study")
    target = st.selectbox("Target curve", list(BUILT_IN_TARGETS))
    files = _drop("new")
    tables, music = _sorted(files)
    stages = _ask_stages([table.name for table in tables], key="new")
    methods = ask_methods({"paired": 2}, key="new")
    listeners = st.number_input("Listeners", 1, 10_000, 16)
    prices = _ask_prices()
    missing = _missing(title, stages, music, methods)
    new = NewStudy(
        title=title,
        target=target,
        stages=tuple(stages),
        programmes=tuple(one.name for one in music),
        methods=methods,
        listeners=int(listeners),
        prices=prices,
    )
    with st.container():
        if missing:
            st.write(f"Still missing: {', '.join(missing)}.")
        else:
            _preview(new)
    usable = not missing and files is not None
    if pressed("Create the study", type="primary", disabled=not usable):
        try:
            write_new_study(desk_root(), new, {one.name: one.getvalue() for one in files or []})
        except SHOWN as error:
            show_error(error, lead="Nothing was written.")
            return
        st.rerun()
    command_hint("new STUDY FILES")


def _ask_prices() -> Prices:
    """Ask how money is counted; all of it may be left blank."""
    with st.expander("Money"):
        currency = st.text_input("Currency", placeholder="for example EUR")
        rate = st.number_input(
            "Money for an hour of work", 0.0, value=None, step=5.0, placeholder=_UNKNOWN
        )
        tax = st.text_input("Remark on tax", placeholder="for example: without sales tax")
    return Prices(currency.strip(), rate, tax.strip())


def _missing(title: str, stages: Sequence[Any], music: Sequence[Any], methods: Any) -> list[str]:
    needs = {
        "a title": bool(title.strip()),
        "tables of two stages or more": len(stages) > 1,
        "a music excerpt": bool(music),
        "something to ask": bool(methods),
    }
    return [what for what, there in needs.items() if not there]


def _preview(new: NewStudy) -> None:
    try:
        show_plan(study_from_text(study_text(new)))
    except SHOWN as error:
        show_error(error)


def _drop(key: str) -> list[Any] | None:
    """Take dropped files and say at once what is wrong with each; None while one is unusable."""
    files = st.file_uploader(
        "Measured response tables, one for each microphone position, and music excerpts of 10 to "
        "20 seconds",
        accept_multiple_files=True,
        key=f"files-{key}",
    )
    faults = [f"Two files are called {name}." for name in names_used_twice([f.name for f in files])]
    faults += [fault for one in files if (fault := _fault(one.name, one.getvalue()))]
    with st.container():  # one place, however much is said: what follows must not move
        for fault in faults:
            show_error(fault)
        if faults:
            st.write("Take these out with the cross beside their names, then go on.")
    return None if faults else list(files)


@st.cache_data(show_spinner="Reading the files", max_entries=200)
def _fault(name: str, data: bytes) -> str | None:
    return file_fault(name, data)


def _sorted(files: Sequence[Any] | None) -> tuple[list[Any], list[Any]]:
    tables = [one for one in files or [] if not is_sound(one.name)]
    return tables, [one for one in files or [] if is_sound(one.name)]


def _ask_stages(names: list[str], *, key: str) -> list[NewStage]:
    groups = group_tables(names)
    with st.container():
        if groups:
            st.header("Stages")
            st.write(
                "Tables with the same name but for a number at the end are one stage. Cost and "
                "hours count from the first stage; what you leave blank is not known, which is "
                "not the same as 0."
            )
        return [_ask_stage(name, files, key) for name, files in groups.items()]


def _ask_stage(name: str, files: list[str], key: str) -> NewStage:
    with st.container(border=True):
        wide, cost, hours = st.columns([2, 1, 1])
        label = wide.text_input("Stage", name, key=element_key("label", key, name), help=None)
        price = cost.number_input(
            "Cost",
            0.0,
            value=None,
            step=10.0,
            placeholder=_UNKNOWN,
            key=element_key("cost", key, name),
        )
        labour = hours.number_input(
            "Hours of work",
            0.0,
            value=None,
            step=0.5,
            placeholder=_UNKNOWN,
            key=element_key("hours", key, name),
        )
        st.caption(as_typed(f"Measured in {', '.join(files)}"))
    return NewStage(label=label.strip() or name, tables=tuple(files), cost=price, labour_h=labour)


# A study that is there ----------------------------------------------------------------------


def _edit() -> None:
    workspace = open_workspace()
    if workspace is None:
        return
    fixed = sealed(workspace)
    if not fixed:
        _add()
    _edit_text(fixed=fixed)


def _add() -> None:
    with st.expander("Add stages or music"):
        files = _drop(f"more-{st.session_state.get('added', 0)}")
        tables, music = _sorted(files)
        stages = _ask_stages([table.name for table in tables], key="more")
        if pressed("Add to the study", disabled=not (stages or music)):
            try:
                add_to_study(
                    desk_root(),
                    {one.name: one.getvalue() for one in files or []},
                    stages=stages,
                    programmes=[one.name for one in music],
                )
            except SHOWN as error:
                show_error(error, lead="Nothing was added.")
                return
            st.session_state["added"] = st.session_state.get("added", 0) + 1
            st.session_state["said"] = "Added. Render the sound again on the page Sound."
            st.rerun()
        command_hint("add STUDY FILES")
    if "said" in st.session_state:
        st.success(st.session_state.pop("said"))


def _edit_text(*, fixed: bool) -> None:
    path = desk_root() / "study.toml"
    stored = path.read_text(encoding="utf-8")
    key = element_key("text", stored)  # a file that was changed elsewhere is shown as it is now
    text = st.text_area("Study file", stored, height=420, disabled=fixed, key=key)
    if pressed("Check and save", type="primary", disabled=fixed):
        try:
            save_study(desk_root(), text)
        except SHOWN as error:
            show_error(error, lead="Not saved.")
            return
        st.success("Saved.")
    st.caption(
        f"The same without the desk: edit {as_code(str(path))}, then `earwitness plan` checks it."
    )
