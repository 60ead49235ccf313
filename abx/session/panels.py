"""Open a study to people, or to simulated listeners, and take it up again."""

from __future__ import annotations

import hashlib
from collections.abc import Callable

from abx.errors import InputError
from abx.session.sessions import Sessions
from abx.session.simulate import run_panel
from abx.sound.stimuli import load_manifest, refuse_stale_sound, stimuli_check
from abx.store import open_store
from abx.store.begun import under_way
from abx.study.workspace import Area, Workspace
from abx.study_file.reading import load_study
from abx.text.shell import command_line

__all__ = ["open_panel", "open_sessions", "rehearse"]

Progress = Callable[[int, int, str], None]


def open_panel(workspace: Workspace, *, database: str | None = None) -> Sessions:
    """Open a study to people: draw and seal its schedule. Opening twice changes nothing.

    Returns
    -------
    Sessions
        Its ``store`` is the caller's to close.

    Raises
    ------
    InputError
        If the stimuli are missing, stale, or failed their check.
    """
    if not under_way(workspace):
        refuse_stale_sound(workspace)
        failed = [check["name"] for check in stimuli_check(workspace) if not check["passed"]]
        if failed:
            raise InputError(
                source=str(workspace.stimuli),
                problem=f"the stimuli did not pass their check ({', '.join(failed[:3])})",
                remedy=f"run '{command_line('render', workspace.root)}' and read what it says",
            )
    return open_sessions(workspace, workspace.live, database=database, create=True)


def open_sessions(
    workspace: Workspace,
    area: Area,
    *,
    database: str | None = None,
    create: bool = False,
    seed: bytes | None = None,
) -> Sessions:
    """Open the service that runs a panel's sessions; its ``store`` is the caller's to close.

    Parameters
    ----------
    workspace, area : Workspace, Area
        The study and the panel.
    database : str, optional
        Database URL when not the SQLite file of the area.
    create : bool, optional
        Open the study to this panel when nobody has yet; else that is an error.
    seed : bytes, optional
        Schedule seed of a rehearsal; for people it is drawn when the study is opened.

    Raises
    ------
    InputError
        If there are no answers to read and ``create`` is false.
    """
    study = load_study(workspace)
    manifest = load_manifest(workspace)
    if not area.rehearsal and not create and database is None and not area.database.is_file():
        raise InputError(
            source=str(area.root),
            problem="nobody has been asked yet: there are no answers of people",
            remedy=f"open the study with '{command_line('serve', workspace.root)}'; the simulated "
            f"panel is looked at with '{command_line('report', workspace.root, '--rehearsal')}'",
        )
    if area.rehearsal and not create and not area.database.is_file():
        raise InputError(
            source=str(area.root),
            problem="there is no rehearsal",
            remedy=f"run '{command_line('simulate', workspace.root)}'",
        )
    area.root.mkdir(parents=True, exist_ok=True)
    store = open_store(area.database_url(database))
    try:
        return Sessions(store, study, manifest, workspace.stimuli, seed=seed)
    except BaseException:
        store.close()
        raise


def rehearse(
    workspace: Workspace, *, n_listeners: int, seed: int, progress: Progress | None = None
) -> Area:
    """Run simulated listeners through the real schedule and store.

    Parameters
    ----------
    workspace : Workspace
        The study.
    n_listeners : int
        Size of the simulated panel.
    seed : int
        Seed of the rehearsal: its schedule and the behaviour of its listeners. It has
        nothing to do with the seed that is drawn for people.
    progress : callable, optional
        ``progress(done, total, what)``.

    Returns
    -------
    Area
        The rehearsal, closed. An earlier rehearsal is replaced only on success.
    """
    schedule_seed = hashlib.sha256(f"rehearsal {seed}".encode()).digest()
    with workspace.fresh_rehearsal() as area:
        sessions = open_sessions(workspace, area, create=True, seed=schedule_seed)
        try:
            run_panel(sessions, n_listeners=n_listeners, seed=seed, progress=progress)
            sessions.close()
        finally:
            sessions.store.close()
    return workspace.rehearsal
