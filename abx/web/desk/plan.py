"""The desk's page for the plan: what is asked of how many, and what that can find."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import streamlit as st

from abx.errors import SHOWN
from abx.methods import get_method, method_ids
from abx.planning.schedule import describe_plan
from abx.study_file.edit import save_study, with_plan
from abx.study_file.reading import study_from_text
from abx.text.tokens import element_key
from abx.web.desk.frame import command_hint, open_workspace, pressed, sealed
from abx.web.desk.power import show_power
from abx.web.pages.words import as_typed, show_error

if TYPE_CHECKING:
    from abx.study.model import Study
    from abx.study.workspace import Workspace

__all__ = ["METHOD_WORDS", "ask_methods", "plan_page", "show_plan"]


METHOD_WORDS = {
    "paired": "Which of two is preferred",
    "abx": "Is a difference heard: which of two is X (ABX)",
    "triangle": "Is a difference heard: which of three is the odd one (triangle)",
    "duo-trio": "Is a difference heard: which of two is the reference (duo-trio)",
    "same-different": "Is a difference heard: same or different",
    "rating": "How good is each version, 0 to 100",
    "grading": "How much does each differ from the first stage, 5.0 to 1.0",
}
"""What each method asks, for the owner of a study."""


def method_words(method: str) -> str:
    """Return what a method asks; its label where nothing more is said here."""
    return METHOD_WORDS.get(method, get_method(method).label)


def plan_page() -> None:
    """Choose methods, trials and panel; say what the plan asks and what it can find."""
    st.title("Plan")
    workspace = open_workspace()
    if workspace is None:
        return
    path = workspace.study_file
    text = path.read_text(encoding="utf-8")
    try:
        study = study_from_text(text, path=path)
        fixed = sealed(workspace)
        listeners, trials = (study.plan.listeners, {}) if fixed else _choose(study)
        changed = with_plan(text, listeners=listeners, trials=trials)
        draft = study_from_text(changed, path=path)
    except SHOWN as error:
        show_error(error)
        return
    if changed != text:
        st.warning("This plan is not saved yet.")
        if pressed("Save this plan", type="primary"):
            try:
                save_study(workspace.root, changed)
            except SHOWN as error:
                show_error(error, lead="Not saved.")
                return
            st.rerun()
    show_plan(draft, workspace)
    options = "".join(f" --trials {method}={number}" for method, number in trials.items())
    command_hint(f"plan STUDY --listeners {listeners}{options} --save")


def _choose(study: Study) -> tuple[int, Mapping[str, int]]:
    """Ask for the panel and the trials of each method; only what differs is returned."""
    now = {test.method: test.trials for test in study.tests}
    listeners = st.number_input("Listeners", 1, 10_000, study.plan.listeners)
    asked = ask_methods(now, key="plan")
    trials = {method: 0 for method in now if method not in asked}
    trials |= {m: number for m, number in asked.items() if number != now.get(m)}
    return int(listeners), trials


def ask_methods(now: Mapping[str, int], *, key: str, trials: int = 2) -> dict[str, int]:
    """Ask which methods to use and how often.

    Parameters
    ----------
    now : mapping of str to int
        Trials by method, as they are.
    key : str
        Keeps the boxes of two pages apart.
    trials : int, optional
        Offered for a method that is not used yet.

    Returns
    -------
    dict of str to int
        Trials of each pair or set and listener by chosen method.
    """
    st.markdown("What to ask, and how often of each pair or set and listener")
    asked = {}
    known = method_ids()
    for method in (*METHOD_WORDS, *sorted(set(known) - set(METHOD_WORDS))):
        wide, narrow = st.columns([3, 1], vertical_alignment="center")
        chosen = wide.checkbox(
            method_words(method), method in now, key=element_key("asked", key, method)
        )
        if chosen:
            asked[method] = int(
                narrow.number_input(
                    f"Trials, {get_method(method).label}",
                    1,
                    64,
                    now.get(method, trials),
                    key=element_key("trials", key, method),
                    label_visibility="collapsed",
                )
            )
    return asked


def show_plan(study: Study, workspace: Workspace | None = None) -> None:
    """Say what a plan asks of people, and what it can find."""
    st.header("What it asks")
    st.markdown("\n".join(f"- {as_typed(line)}" for line in describe_plan(study)))
    st.header("What this panel can find")
    show_power(study, workspace)
