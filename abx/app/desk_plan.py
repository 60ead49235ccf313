"""The desk's page for the plan: what is asked of how many, and what that can find."""

from __future__ import annotations

import re
from collections.abc import Mapping
from contextlib import closing
from typing import TYPE_CHECKING

import streamlit as st

from abx.app.desk import WRONG, command_hint, open_workspace, pressed, progress_bar, sealed
from abx.app.tables import show_table
from abx.methods import get_method, method_ids
from abx.plan_power import Asked, ask_plan
from abx.plan_words import claim_rows, finding_lines

if TYPE_CHECKING:
    from abx.study import Study
    from abx.workspace import Workspace
    from analysis.plan_findings import Findings

__all__ = ["METHOD_WORDS", "QUICK", "ask_methods", "plan_page", "show_plan"]

QUICK = 100
"""Studies behind the figures that are shown while somebody types."""

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

_KEPT = "plan-findings"
_MOST_KEPT = 8
_SIGNS = re.compile(r"([\\`*_\[\]#<>$~])")


def method_words(method: str) -> str:
    """Return what a method asks; its label where nothing more is said here."""
    return METHOD_WORDS.get(method, get_method(method).label)


def plan_page() -> None:
    """Choose methods, trials and panel; say what the plan asks and what it can find."""
    from abx.study import study_from_text
    from abx.study_edit import save_study, with_plan

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
    except WRONG as error:
        st.error(str(error))
        return
    if changed != text:
        st.warning("This plan is not saved yet.")
        if pressed("Save this plan", type="primary"):
            try:
                save_study(workspace.root, changed)
            except WRONG as error:
                st.error(f"Not saved. {error}")
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
        chosen = wide.checkbox(method_words(method), method in now, key=f"{key}-{method}")
        if chosen:
            asked[method] = int(
                narrow.number_input(
                    f"Trials, {get_method(method).label}",
                    1,
                    64,
                    now.get(method, trials),
                    key=f"{key}-n-{method}",
                    label_visibility="collapsed",
                )
            )
    return asked


def show_plan(study: Study, workspace: Workspace | None = None) -> None:
    """Say what a plan asks of people, and what it can find."""
    from abx.planning import describe_plan

    st.header("What it asks")
    st.markdown("\n".join(f"- {line}" for line in describe_plan(study)))
    st.header("What this panel can find")
    try:
        known = _known(study, workspace)
    except WRONG as error:
        st.error(str(error))
        return
    if known is None:
        st.write("There is no such figure for ratings and grades: it depends on how they spread.")
        return
    _show_power(*known)
    if not known[1].panels and pressed("More exactly, and how many listeners"):
        _remember(study, known[0], _simulated(known[0], quick=False))
        st.rerun()


def _show_power(asked: Asked, found: Findings) -> None:
    st.write(
        f"Chance that {asked.question.n_listeners} listeners support each claim if it is true, by "
        f"{found.tally.n_studies:,} simulated studies. After ±: the error of the simulation. "
        f"Level {100 * asked.question.family.alpha:g} %."
    )
    show_table(claim_rows(asked, found))
    st.markdown("\n".join(f"- {_plain(line)}" for line in finding_lines(asked, found)))


def _plain(line: str) -> str:
    """Keep Markdown from reading signs into a claim's names."""
    return _SIGNS.sub(r"\\\1", line)


def _known(study: Study, workspace: Workspace | None) -> tuple[Asked, Findings] | None:
    """Return what is known about a plan; a first look is simulated where nothing is."""
    kept = st.session_state.setdefault(_KEPT, {})
    key = _what_counts(study)
    if key not in kept:
        asked = ask_plan(study, workspace=workspace)
        if asked is None:
            return None
        _remember(study, asked, _simulated(asked, quick=True))
    asked, found = kept[key]
    return asked, found


def _what_counts(study: Study) -> object:
    """Return what the chances depend on: not the title that somebody is typing."""
    groups = None if study.groups is None else tuple(study.groups.answers)
    return (study.tests, study.plan, study.stages, study.programmes, groups)


def _remember(study: Study, asked: Asked, found: Findings) -> None:
    kept = st.session_state[_KEPT]
    kept[_what_counts(study)] = (asked, found)
    while len(kept) > _MOST_KEPT:
        del kept[next(iter(kept))]


def _simulated(asked: Asked, *, quick: bool) -> Findings:
    """Simulate; whoever types in the meantime starts the page anew, as the bar moves."""
    from analysis.plan_findings import FIRST, explore

    with progress_bar("Simulating studies") as report:
        steps = explore(
            asked.question,
            n_studies=QUICK if quick else FIRST,
            sizes=not quick,
            panels=not quick,
            processes=1 if quick else None,
            progress=lambda done, total, what: report(done, total, f"Simulating studies: {what}"),
        )
        with closing(steps):
            *_, found = steps
    return found
