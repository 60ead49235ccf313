"""The counter: a tablet on the shop's counter that runs by itself between customers.

It uses the same sittings, schedule and log as every other listener, shows each customer
their own result and goes back to the start when nobody touches it. No page it shows leads
to the staff page, and no total is shown anywhere.
"""

from __future__ import annotations

import segno
import streamlit as st

from abx.errors import SHOWN, Gone, NotFound
from abx.schedule.visits import VISITS
from abx.session.messages import count_of_questions
from abx.study_file.claims import NOT_SAID
from abx.web.pages.context import provided
from abx.web.pages.listener import TOKEN, ask_group, extent
from abx.web.pages.own_result import OwnResult, own_result
from abx.web.pages.withdraw import show_withdrawal_code
from abx.web.pages.words import as_typed, show_error
from abx.web.player import mount_idle_watch, mount_player

__all__ = ["counter_page"]

IDLE_TRIAL_S = 90
"""Without a touch for this long a sitting is given up and the start page returns."""

IDLE_RESULT_S = 60
"""The result disappears after this long, so that the next customer does not read it."""


def counter_page() -> None:
    """Show start, player or the customer's own result."""
    token = st.query_params.get(TOKEN)
    if token is None:
        with st.container(key="sheet"):
            _start()
        return
    result = _finished(token)
    if result is None:
        player = mount_player(token, idle_s=IDLE_TRIAL_S)
        if player.left:
            _leave()
        elif player.finished:
            st.rerun()
        return
    with st.container(key="sheet"):
        _show(result)
        show_withdrawal_code(token)
    if mount_idle_watch(IDLE_RESULT_S, token).left:
        _leave()


def _start() -> None:
    sessions = provided().sessions
    if sessions.closed:
        st.title("The listening counter is closed")
        return
    questions, minutes = extent(VISITS)
    st.title("Which one do your ears choose?")
    st.write(
        "Put the headphones on, get to know the sound and answer up to "
        f"{count_of_questions(questions)}: about {minutes} minutes. You hear versions of the same "
        "music, blind. At the end you see your own result."
    )
    st.markdown(
        "- The sound begins very quiet and you set the level. Do not set it loud.\n"
        "- Stop at once if anything hurts or rings.\n"
        "- Your answers are kept under a code, never under a name."
    )
    group = ask_group()
    if st.button("I agree, begin", type="primary", disabled=group is None):
        try:
            token = sessions.begin(
                consent=True,
                visit=True,
                familiarise=sessions.study.plan.familiarisation,
                hearing="not asked",
                output="counter headphones",
                group="" if group in (None, NOT_SAID) else str(group),
            )
        except SHOWN as error:
            show_error(error)
            return
        st.query_params[TOKEN] = token
        st.rerun()


def _finished(token: str) -> OwnResult | None:
    """Return the result of a finished sitting, None while it goes on or does not exist."""
    sessions = provided().sessions
    try:
        if sessions.next_trial(token)["state"] != "done":
            return None
        return own_result(sessions, token)
    except (NotFound, Gone):
        return None


def _show(result: OwnResult) -> None:
    st.title("Thank you. Your own result")
    for sentence in result.sentences:
        st.write(as_typed(sentence))
    if not result.sentences:
        st.write(f"You answered {count_of_questions(result.n_answered)}. Every answer is saved.")
    st.write(
        "Which version was which stays sealed until the study is closed, so that nobody after "
        "you is influenced."
    )
    st.header("Take it home")
    st.write("Point the camera of your phone at this square; it holds the words above.")
    code = segno.make(result.text, error="l").png_data_uri(scale=5, dark="#14231e")
    st.html(
        f'<img src="{code}" alt="Square code with the words above" '
        'style="background:#fff;padding:8px;border-radius:14px">'
    )
    if st.button("Done", type="primary"):
        _leave()


def _leave() -> None:
    st.query_params.clear()
    st.session_state.clear()
    st.rerun()
