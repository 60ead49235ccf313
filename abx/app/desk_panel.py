"""The desk's page for a running study: open, watch counts, close, report."""

from __future__ import annotations

import streamlit as st

from abx.app.desk import WRONG, command_hint, open_workspace
from abx.app.staff import show_balance, show_numbers, show_seal
from abx.session import Sessions
from abx.workspace import Workspace

__all__ = ["panel_page"]


def panel_page() -> None:
    """Show the state of the panel."""
    from abx.server import open_sessions

    st.title("Panel")
    workspace = open_workspace()
    if workspace is None:
        return
    is_open = workspace.live.database.is_file()
    if not is_open:
        st.write(
            "Opening draws the schedule's secret seed and fixes its fingerprint. Afterwards the "
            "study file and the stimuli must not change."
        )
        if not st.button("Open the study", type="primary"):
            return
    try:
        sessions = open_sessions(workspace.root)
    except WRONG as error:
        st.error(str(error))
        return
    try:
        if is_open:
            _state(workspace, sessions)
    finally:
        sessions.store.close()
    if not is_open:
        st.rerun()


def _state(workspace: Workspace, sessions: Sessions) -> None:
    counts = sessions.counts()
    if counts["state"] == "open":
        st.write("The study is open. Listeners come in by the address that this command prints:")
        st.code(f"earwitness serve {workspace.root}", language=None)
    show_numbers(counts)
    show_balance(counts)
    show_seal(counts)
    if counts["state"] == "open":
        _passphrase(sessions)
        _close(sessions)
    else:
        _report(workspace)


def _passphrase(sessions: Sessions) -> None:
    st.header("Passphrase of the staff page")
    if sessions.passphrase_is_set:
        st.write("A passphrase is set. Enter another one to change it.")
    with st.form("passphrase", border=False, clear_on_submit=True):
        passphrase = st.text_input("New passphrase", type="password")
        if st.form_submit_button("Set the passphrase"):
            try:
                sessions.set_passphrase(passphrase)
            except WRONG as error:
                st.error(str(error))
                return
            st.success("The passphrase is set.")
    command_hint("passphrase")


def _close(sessions: Sessions) -> None:
    st.header("Close the study")
    st.write("Closing ends every sitting and cannot be undone. Then the report can be made.")
    sure = st.checkbox("I want to close the study for good")
    if st.button("Close the study", disabled=not sure):
        sessions.close()
        st.rerun()
    command_hint("close")


def _report(workspace: Workspace) -> None:
    from abx.steps import analyse_panel, export_panel, write_reports

    st.header("Report")
    if st.button("Analyse and write the report", type="primary"):
        try:
            with st.spinner("Analysing"):
                export_panel(workspace, workspace.live)
                analyse_panel(workspace, workspace.live)
                write_reports(workspace, workspace.live)
        except WRONG as error:
            st.error(str(error))
            return
        except ValueError as error:  # the analysis says in words what it cannot work with
            st.error(str(error))
            return
    report = workspace.live.result("report.html")
    if report.is_file():
        st.download_button(
            "Open the report", report.read_bytes(), file_name="report.html", mime="text/html"
        )
    command_hint("export, analyse, report")
