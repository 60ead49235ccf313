"""The listener's page: welcome and consent, ears and output, then the player.

The player runs level, practice, trials, breaks and the end by itself. The token of the
sitting stands in the address, so that a reload, a bookmark or another browser comes back
to the same question. Nothing here names a stage, a method or the study.
"""

from __future__ import annotations

import math

import streamlit as st

from abx.errors import SHOWN, AnswerRefused, Gone, NotFound
from abx.methods import get_method
from abx.session.messages import count_of_questions
from abx.study_file.claims import NOT_SAID
from abx.web.pages.context import provided
from abx.web.pages.withdraw import show_withdrawal_code
from abx.web.pages.words import as_typed, show_error
from abx.web.player import mount_headphone_check, mount_player

__all__ = ["TOKEN", "ask_group", "extent", "listener_page"]

TOKEN = "s"
"""Name of the address parameter that carries the sitting's token."""

_HEARING = {
    "normal": "As far as I know, my hearing is normal",
    "some loss": "I have some hearing loss, or ringing in the ears",
    "aid": "I wear a hearing aid",
    "not said": "I would rather not say",
}
_OUTPUT = {
    "headphones": "Headphones or earphones",
    "loudspeakers": "Loudspeakers in a room",
    "vehicle": "The loudspeakers of a vehicle or boat",
}


def listener_page() -> None:
    """Show the step the listener is at."""
    token = _token()
    if token:
        if mount_player(token, code=_code(token)).finished:
            show_withdrawal_code(token)
    elif st.session_state.get("step") == "check":
        _headphone_check()
    else:
        with st.container(key="sheet"):
            if st.session_state.get("step") == "about":
                _about_you()
            else:
                _welcome()


def _code(token: str) -> str:
    """Return the sitting's pseudonym; the player itself says what is wrong with a token."""
    try:
        return provided().sessions.sitting(token).listener
    except (NotFound, Gone):
        return ""


def _token() -> str | None:
    token = st.query_params.get(TOKEN) or st.session_state.get("token")
    if token:
        st.session_state["token"] = token
        if st.query_params.get(TOKEN) != token:  # the back button took it away
            st.query_params[TOKEN] = token
    return token


def _welcome() -> None:
    sessions = provided().sessions
    if sessions.closed:
        st.title("The study is closed")
        st.write("Thank you for coming. No more answers are being collected.")
        return
    questions, minutes = extent()
    st.title("Welcome. Your ears decide here")
    st.write(
        "You will hear short pieces of music in several versions and answer "
        f"{count_of_questions(questions)} about them. It takes about {minutes} minutes, with a "
        "pause where it gets long. First you get to know the sound and practise; that does not "
        "count."
    )
    st.write(
        "Neither you nor the person who brought you here can know which version is which. "
        "Trust what you hear; saying what you think should be right helps nobody."
    )
    st.header("Take care of your ears")
    st.markdown(
        "- The sound begins very quiet and you set the level yourself. Do not set it loud.\n"
        "- Stop at once if anything hurts, rings or feels uncomfortable.\n"
        "- Do not take part while driving, or where you have to hear what goes on around you."
    )
    st.header("What is kept")
    st.write(
        "Your answers, how long you listened and what you tell us on the next page, under a "
        "code that is not your name. You can stop at any time by closing the page."
    )
    agreed = st.checkbox("I have read this and I agree to take part", key="consent")
    if st.button("Go on", type="primary", disabled=not agreed):
        st.session_state["step"] = "about"
        st.rerun()


def extent(first: int = 0) -> tuple[int, int]:
    """Return number of questions and minutes of a sitting: the longest of the first few.

    Parameters
    ----------
    first : int, optional
        Slot to begin with.
    """
    sessions = provided().sessions
    slots = [sessions.slot(first + place) for place in range(len(sessions.study.tests))]
    seconds = max(sum(get_method(t.method).trial_s for t in slot.trials) for slot in slots)
    questions = max(slot.n_test_trials for slot in slots)
    return questions, max(5, 5 * math.ceil(seconds / 300))


def _about_you() -> None:
    st.title("Your ears and your sound")
    hearing = st.radio(
        "How is your hearing?", list(_HEARING), format_func=_HEARING.__getitem__, index=None
    )
    output = st.radio(
        "What do you listen with?", list(_OUTPUT), format_func=_OUTPUT.__getitem__, index=None
    )
    group = ask_group()
    listener = st.text_input(
        "Your code, if you have listened for us before",
        placeholder="leave empty the first time",
        max_chars=20,
    )
    st.write(
        "Switch off every effect of your device: equaliser, bass boost, loudness, surround. "
        "Turn its volume low for now."
    )
    if st.button("Go on to the sound", type="primary", disabled=not (hearing and output and group)):
        st.session_state["about"] = {
            "hearing": {"self-report": str(hearing)},
            "output": str(output),
            "group": "" if group == NOT_SAID else str(group),
            "listener": listener.strip().upper() or None,
        }
        if output == "headphones":
            st.session_state["step"] = "check"
            st.rerun()
        _begin()


def ask_group() -> str | None:
    """Ask what the study sorts listeners by, in its own words; nobody has to say.

    Returns
    -------
    str or None
        A group, ``not-said``, or None while nothing is chosen.
    """
    groups = provided().sessions.study.groups
    if groups is None:
        return NOT_SAID
    answers = {**groups.answers, NOT_SAID: "I would rather not say"}
    return st.radio(
        as_typed(groups.ask),
        list(answers),
        format_func=lambda name: as_typed(answers[name]),
        index=None,
    )


def _headphone_check() -> None:
    result = mount_headphone_check()
    if result.checked:
        checked = f"{result.checked['correct']} of {result.checked['of']}"
        st.session_state["about"]["hearing"]["headphone check"] = checked
        _begin()


def _begin() -> None:
    try:
        sessions = provided().sessions
        know = sessions.study.plan.familiarisation
        token = sessions.begin(consent=True, familiarise=know, **st.session_state["about"])
    except AnswerRefused as error:
        st.session_state["step"] = "about"
        show_error(error)
        return
    except SHOWN as error:
        show_error(error)
        return
    st.session_state["token"] = token
    st.query_params[TOKEN] = token
    st.rerun()
