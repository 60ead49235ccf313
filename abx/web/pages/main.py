"""Streamlit script: the listener's page at the root, the staff page on its own path."""

from __future__ import annotations

import streamlit as st

from abx.web.pages.counter import counter_page
from abx.web.pages.listener import listener_page
from abx.web.pages.staff import staff_page
from abx.web.pages.theme import apply_theme
from abx.web.pages.withdraw import WITHDRAW_PATH, withdraw_page

st.set_page_config(page_title="Listening session", layout="wide", initial_sidebar_state="collapsed")
apply_theme()
st.navigation(
    [
        st.Page(listener_page, title="Listening session", default=True),
        st.Page(counter_page, title="Listening counter", url_path="counter"),
        st.Page(staff_page, title="Staff", url_path="staff"),
        st.Page(withdraw_page, title="Take your answers back", url_path=WITHDRAW_PATH),
    ],
    position="hidden",
).run()
