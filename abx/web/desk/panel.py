"""The desk's page for a running study: open, watch counts, close, report."""

from __future__ import annotations

import streamlit as st

from abx.errors import SHOWN
from abx.session.panels import open_panel, open_sessions
from abx.session.sessions import Sessions
from abx.study.workspace import Workspace
from abx.text.shell import command_line
from abx.web.desk.frame import command_hint, open_workspace, pressed
from abx.web.pages.staff import show_balance, show_numbers, show_seal
from abx.web.pages.words import show_error

__all__ = ["panel_page"]

_WATCH_S = 5
_REPORTS = {
    "report.html": "Open the report",
    "customer-card.html": "For the customer",
    "researcher-report.html": "For a researcher",
    "reviewer-sheet.html": "For a reviewer",
}


def panel_page() -> None:
    """Show the state of the panel."""
    st.title("Panel")
    workspace = open_workspace()
    if workspace is None:
        return
    is_open = workspace.live.database.is_file()
    if not is_open and not _opened(workspace):
        return
    try:
        sessions = open_sessions(workspace, workspace.live, create=True)
    except SHOWN as error:
        show_error(error)
        return
    try:
        _state(workspace, sessions)
    finally:
        sessions.store.close()


def _opened(workspace: Workspace) -> bool:
    """Ask before the seal is made; a set that was never checked or failed is not opened."""
    st.write(
        "Opening draws the schedule's secret seed and fixes its fingerprint. From the first "
        "listener on, the study file and the stimuli must not change."
    )
    wanted = pressed("Open the study", type="primary")
    command_hint("open STUDY")
    if not wanted:
        return False
    try:
        open_panel(workspace).store.close()
    except SHOWN as error:
        show_error(error)
        return False
    st.rerun()


def _state(workspace: Workspace, sessions: Sessions) -> None:
    is_open = not sessions.closed
    if is_open:
        st.write("The study is open. Listeners come in by the address that this command prints:")
        st.code(command_line("serve", workspace.root), language=None, wrap_lines=True)
    _watch(workspace, is_open=is_open)
    command_hint("status STUDY")
    show_seal({"commitment": sessions.commitment})
    if is_open:
        _passphrase(sessions)
        _close(sessions)
    else:
        _report(workspace)


def _watch(workspace: Workspace, *, is_open: bool) -> None:
    """Show counts, and count again every few seconds while people listen."""

    def counts() -> None:
        sessions = open_sessions(workspace, workspace.live)
        try:
            found = sessions.counts()
        finally:
            sessions.store.close()
        show_numbers(found)
        show_balance(found)
        if is_open and found["state"] == "closed":
            st.rerun()

    st.fragment(counts, run_every=_WATCH_S if is_open else None)()


def _passphrase(sessions: Sessions) -> None:
    st.header("Passphrase of the staff page")
    if sessions.passphrase_is_set:
        st.write("A passphrase is set. Enter another one to change it.")
    with st.form("passphrase", border=False, clear_on_submit=True):
        passphrase = st.text_input("New passphrase", type="password")
        if st.form_submit_button("Set the passphrase"):
            try:
                sessions.set_passphrase(passphrase)
            except SHOWN as error:
                show_error(error)
                return
            st.success("The passphrase is set.")
    command_hint("passphrase STUDY")


def _close(sessions: Sessions) -> None:
    st.header("Close the study")
    st.write("Closing ends every sitting and cannot be undone. Then the report can be made.")
    sure = st.checkbox("I want to close the study for good")
    if pressed("Close the study", disabled=not sure):
        sessions.close()
        st.rerun()
    command_hint("close STUDY")


def _report(workspace: Workspace) -> None:
    from abx.evidence.results import analyse_panel, export_panel, write_reports

    st.header("Report")
    if pressed("Analyse and write the report", type="primary"):
        try:
            with st.spinner("Analysing"):
                export_panel(workspace, workspace.live)
                analyse_panel(workspace, workspace.live)
                write_reports(workspace, workspace.live)
        except SHOWN as error:
            show_error(error)
            return
        except ValueError as error:  # the analysis says in words what it cannot work with
            show_error(error)
            return
    there = {
        name: label for name, label in _REPORTS.items() if workspace.live.result(name).is_file()
    }
    if there:
        with st.container(horizontal=True):
            for name, label in there.items():
                st.link_button(label, f"/report/{name}")
    command_hint("report STUDY")
