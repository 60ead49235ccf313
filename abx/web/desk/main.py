"""Streamlit script of the study desk."""

from __future__ import annotations

import streamlit as st

from abx.web.desk.files import files_page
from abx.web.desk.frame import desk_folder_name, responses_page, sound_page
from abx.web.desk.panel import panel_page
from abx.web.desk.plan import plan_page
from abx.web.pages.theme import apply_theme

st.set_page_config(page_title=f"Study desk, {desk_folder_name()}", layout="wide")
apply_theme()
pages = [
    st.Page(files_page, title="Files", default=True),
    st.Page(responses_page, title="Responses", url_path="responses"),
    st.Page(sound_page, title="Sound", url_path="sound"),
    st.Page(plan_page, title="Plan", url_path="plan"),
    st.Page(panel_page, title="Panel", url_path="panel"),
]
page = st.navigation(pages, position="hidden")
with st.container(key="way", horizontal=True):
    for one in pages:
        st.page_link(one)
page.run()
