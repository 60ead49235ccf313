"""The study desk: everything the owner of a study does, from files to report.

Each page calls the same steps as the commands. Stages are named here, so the desk belongs on
the owner's machine, not on the listener's; results are out of reach until the study is closed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import streamlit as st

from abx.errors import SHOWN
from abx.sound.figures import stage_curves, stage_figures
from abx.sound.stimuli import (
    check_stimuli,
    load_manifest,
    refuse_stale_sound,
    render,
    stimuli_check,
)
from abx.store.begun import under_way
from abx.study.prices import stage_price_line
from abx.study.workspace import Workspace
from abx.study_file.reading import load_study
from abx.text.shell import command_line
from abx.web.desk.charts import TARGET, show_curves
from abx.web.desk.context import desk_root
from abx.web.pages.tables import show_table
from abx.web.pages.words import as_code, as_typed, show_error
from abx.web.player import mount_player

if TYPE_CHECKING:
    from abx.study.model import Study

__all__ = [
    "command_hint",
    "desk_folder_name",
    "open_workspace",
    "pressed",
    "progress_bar",
    "responses_page",
    "sealed",
    "sound_page",
]


def open_workspace() -> Workspace | None:
    """Return the study of this desk, or say that there is none yet."""
    try:
        return Workspace.open(desk_root())
    except SHOWN:
        st.info("There is no study in this folder yet. Begin on the page Files.")
        return None


def command_hint(*commands: str) -> None:
    """Show the commands that do the same, ready to be copied."""
    lines = []
    for command in commands:
        name, *words = command.split()
        lines.append(command_line(name, *(desk_root() if w == "STUDY" else w for w in words)))
    st.caption("The same as a command: " + ", then ".join(map(as_code, lines)))


def pressed(label: str, **options: Any) -> bool:
    """Show a button and tell once that it was pressed.

    A press that meets a run already under way (somebody types a number and presses at once)
    is kept for the next run instead of being lost, so that it acts on what was typed.
    """
    key = f"press-{label}"
    st.button(label, on_click=lambda: st.session_state.update({key: True}), **options)
    return bool(st.session_state.pop(key, False)) and not options.get("disabled", False)


@contextmanager
def progress_bar(first: str = "") -> Iterator[Callable[[int, int, str], None]]:
    """Show a bar to the end of the block, at once where there is something to say first."""
    place = st.empty()
    if first:
        place.progress(0.0, first)

    def show(done: int, total: int, what: str) -> None:
        place.progress(min(1.0, done / max(1, total)), as_typed(what))

    yield show
    place.empty()


# Responses ----------------------------------------------------------------------------------


def responses_page() -> None:
    """Show what was measured and how far it is from the target."""
    st.title("Responses")
    workspace = open_workspace()
    if workspace is None:
        return
    try:
        study = load_study(workspace)
        curves, figures = stage_curves(workspace, study), stage_figures(workspace, study)
    except SHOWN as error:
        show_error(error)
        return
    names = [stage.label for stage in study.stages]
    show_curves(curves, "level_db", [*names, TARGET], title="Level in dB")
    st.header("Deviation from the target")
    measured = curves[curves["stage"] != TARGET]
    show_curves(measured, "deviation_db", names, title="Deviation in dB")
    show_table(figures, caption="How far each stage is from the target")
    _show_prices(study)
    command_hint("stages STUDY")


def _show_prices(study: Study) -> None:
    """Say what each measured stage takes in money and hours, or that it is not known."""
    st.header("Prices")
    priced = [stage for stage in study.stages if stage.made is None]
    lines = [f"{stage.label}: {stage_price_line(study, stage)}" for stage in priced]
    st.markdown("\n".join(f"- {as_typed(line)}" for line in lines))


# Sound --------------------------------------------------------------------------------------


def sound_page() -> None:
    """Render the stimuli with progress, show the check, let the owner hear them."""
    st.title("Sound")
    workspace = open_workspace()
    if workspace is None:
        return
    if pressed("Render and check", type="primary", disabled=sealed(workspace)):
        try:
            with progress_bar("Reading tables and music") as show:
                render(workspace, show)
                check_stimuli(workspace, show)
        except SHOWN as error:
            show_error(error, lead="The earlier stimuli stay as they were.")
            return
    command_hint("render STUDY")
    if not (workspace.stimuli / "manifest.json").is_file():
        st.write("The stimuli are not rendered yet.")
        return
    try:
        _check(workspace)
    except SHOWN as error:
        show_error(error)
        return
    _hear(workspace)


def sealed(workspace: Workspace) -> bool:
    """Tell whether people have begun, so that nothing may change; say so on the page."""
    if not under_way(workspace):
        return False
    st.info("People have begun to listen: study file and sound are sealed until it is closed.")
    return True


def _check(workspace: Workspace) -> None:
    with progress_bar() as show:
        checks = stimuli_check(workspace, show)
    refuse_stale_sound(workspace)
    st.header("Measured back from the files")
    failed = [check for check in checks if not check["passed"]]
    if failed:
        st.error("At least one check failed; do not open the study.")
    else:
        st.success(f"All {len(checks)} checks passed.")
    show_table([_check_row(check) for check in failed])
    with st.expander("Every check"):
        show_table([_check_row(check) for check in checks])
    with st.expander("Level of every stimulus"):
        show_table([_level_row(record) for record in load_manifest(workspace).stimuli])


def _check_row(check: dict[str, Any]) -> dict[str, object]:
    result = "passed" if check["passed"] else "FAILED"
    return {"Check": check["name"], "Result": result, "In words": check["words"]}


def _level_row(record: Any) -> dict[str, object]:
    return {
        "Stimulus": f"{record.stage}, {record.programme}",
        "Loudness in LUFS": f"{record.loudness_after_lufs:.2f}",
        "Off the common level in LU": f"{record.residual_lu:+.3f}",
        "True peak in dBTP": f"{record.true_peak_dbtp:.1f}",
        "Gain in dB": f"{record.gain_db:+.1f}",
    }


def _hear(workspace: Workspace) -> None:
    st.header("Hear it")
    st.write(
        "All stages of an excerpt at matched level. It begins very quiet and you set the level. "
        "Stop at once if anything hurts or rings. Who listens here knows what is what, and is "
        "no blind listener any more."
    )
    names = [one.id for one in load_study(workspace).programmes]
    programme = st.radio("Excerpt", names, index=None, horizontal=True)
    if programme:
        mount_player(f"desk-{programme}")
    command_hint("hear STUDY")


def desk_folder_name() -> str:
    """Return the name of the study folder for the page's head."""
    return Path(desk_root()).resolve().name
