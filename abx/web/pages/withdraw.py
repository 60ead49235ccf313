"""Taking answers back: the listener's own page, and the same for staff."""

from __future__ import annotations

import streamlit as st

from abx.errors import SHOWN
from abx.session.withdrawal import withdraw, withdrawal_code
from abx.web.pages.context import provided
from abx.web.pages.words import as_typed, show_error

__all__ = ["WITHDRAW_PATH", "show_withdrawal_code", "staff_withdrawal", "withdraw_page"]

WITHDRAW_PATH = "withdraw"
"""Where a listener takes answers back."""


def show_withdrawal_code(token: str) -> None:
    """Show a listener the code of a sitting, and what it is for."""
    try:
        code = withdrawal_code(provided().sessions, token)
    except SHOWN:  # withdrawn already: nothing is left to take back
        return
    with st.container(key="sheet-code"):  # stands beside another sheet of the same page
        st.header("If you change your mind")
        st.write(
            f"With this code you can have your answers removed later, at /{WITHDRAW_PATH} on "
            "this address or by asking the staff. Only you have it; note it down."
        )
        st.code(code, language=None)


def withdraw_page() -> None:
    """Let a listener take answers back."""
    with st.container(key="sheet"):
        st.title("Take your answers back")
        st.write(
            "Enter the withdrawal code that you were shown at the end. Everything you answered "
            "and told us in that sitting is erased, for good."
        )
        _form("Withdrawal code", by_staff=False)


def staff_withdrawal() -> None:
    """Let staff carry out a withdrawal that a person asked for."""
    st.header("Somebody withdraws")
    st.write(
        "A person may have their answers removed, before or after closing. Enter their "
        "withdrawal code, or their listener code to remove all their sittings. Tables, results "
        "and bundles made before still hold the answers: make them again."
    )
    _form("Withdrawal code or listener code", by_staff=True)


def _form(label: str, *, by_staff: bool) -> None:
    with st.form("withdrawal", border=False):
        code = st.text_input(label, max_chars=40)
        sure = st.checkbox("Remove the answers for good")
        sent = st.form_submit_button("Remove the answers")
    if not sent:
        return
    if not (sure and code.strip()):
        st.error("Enter the code and tick the box above.")
        return
    try:
        st.success(as_typed(withdraw(provided().sessions, code, by_staff=by_staff).words))
    except SHOWN as error:
        show_error(error)
