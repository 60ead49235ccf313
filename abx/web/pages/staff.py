"""The staff page: how many answers, how evenly spread, never what they say.

It stands on its own path, is linked from no listener's page and asks for the study's
passphrase. Until the study is closed it shows counts only.
"""

from __future__ import annotations

from typing import Any

import streamlit as st

from abx.errors import SHOWN
from abx.planning.schedule import START_SECONDS, sitting_seconds
from abx.session.counts import balance_lines, spread_words
from abx.study.exposure import exposure_lines
from abx.web.pages.context import provided
from abx.web.pages.tables import show_table
from abx.web.pages.withdraw import staff_withdrawal
from abx.web.pages.words import as_typed, show_error

__all__ = ["show_balance", "show_numbers", "show_seal", "staff_page"]


def staff_page() -> None:
    """Show sign-in, or the counts of the study."""
    with st.container(key="sheet"):
        if not st.session_state.get("staff"):
            _sign_in()
            return
        _overview()


def _sign_in() -> None:
    st.title("Staff")
    with st.form("sign-in", border=False):
        passphrase = st.text_input("Passphrase", type="password")
        sent = st.form_submit_button("Sign in", type="primary")
    if not sent:
        return
    try:
        if provided().sessions.check_passphrase(passphrase):
            st.session_state["staff"] = True
            st.rerun()
        st.error("That passphrase is not right.")
    except SHOWN as error:
        show_error(error)


def _overview() -> None:
    context = provided()
    counts = context.sessions.counts()
    st.title(as_typed(context.title))
    if counts["state"] == "closed":
        _closed()
    else:
        st.write(
            "The study is open. Until it is closed, nobody can see a result, here or elsewhere."
        )
    show_numbers(counts)
    show_balance(counts)
    show_ears()
    show_seal(counts)
    left, right = st.columns(2)
    if left.button("Count again"):
        st.rerun()
    if right.button("Sign out"):
        st.session_state.pop("staff", None)
        st.rerun()
    staff_withdrawal()
    if counts["state"] == "open":
        _close()


def show_numbers(counts: dict[str, Any]) -> None:
    """Show how many came and how many answers each gave."""
    listeners = counts["listeners"]
    finished = sum(one["finished"] for one in listeners)
    answers = sum(one["answered"] for one in listeners)
    st.header("So far")
    first, second, third = st.columns(3)
    first.metric("Finished", f"{finished} of {counts['planned']}")
    second.metric("Begun", len(listeners))
    third.metric("Answers", answers)
    simulated = counts["simulated"]
    if simulated["sittings"]:
        st.write(
            f"Not counted above: {simulated['sittings']} simulated listeners "
            f"with {simulated['answers']} answers."
        )
    if listeners:
        st.header("Listeners")
        show_table([_listener_row(one) for one in listeners])


def _listener_row(one: dict[str, Any]) -> dict[str, object]:
    return {
        "Listener": one["listener"],
        "Answers": f"{one['answered']} of {one['of']}",
        "State": "finished" if one["finished"] else "under way",
        "Each comparison": spread_words(one["spread"]),
        "Last seen (UTC)": str(one["last_at"])[:16].replace("T", " "),
    }


def show_balance(counts: dict[str, Any]) -> None:
    """Show how evenly the comparisons have been asked."""
    lines = balance_lines(counts)
    if lines:
        st.header("Balance")
        st.markdown("\n".join(f"- {as_typed(line)}" for line in lines))


def show_ears() -> None:
    """Say what a sitting means for the ears, as far as the level is known."""
    sessions = provided().sessions
    minutes = (START_SECONDS + sitting_seconds(sessions.slot(0))) / 60.0
    st.header("Ears")
    for line in exposure_lines(sessions.study, minutes, louder_db=sessions.louder_db):
        st.write(as_typed(f"{line[0].upper()}{line[1:]}."))


def show_seal(counts: dict[str, Any]) -> None:
    """Show the fingerprint of the schedule's seed."""
    st.header("Seal of the schedule")
    st.write(
        "Fingerprint (SHA-256) of the seed that decides who hears what in which order. It was "
        "fixed before the first question; the seed itself is shown when the study is closed."
    )
    with st.container(key="seal"):
        st.code(counts["commitment"], language=None, wrap_lines=True)


def _close() -> None:
    st.header("Close the study")
    st.write("Closing ends every sitting and cannot be undone. Then the results can be opened.")
    sure = st.checkbox("I want to close the study for good")
    if st.button("Close the study", disabled=not sure):
        provided().sessions.close()
        st.rerun()


def _closed() -> None:
    st.write("The study is closed. Its results can be analysed and reported now.")
    st.write("Seed of the schedule; its SHA-256 is the seal below:")
    with st.container(key="seed"):
        st.code(provided().sessions.close(), language=None, wrap_lines=True)
