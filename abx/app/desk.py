"""The study desk: everything the owner of a study does, from files to report.

Each page calls the same steps as the commands. Stages are named here, so the desk belongs on
the owner's machine, not on the listener's; results are out of reach until the study is closed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st

from abx.app.desk_context import desk_root
from abx.app.new_study import NewStage, NewStudy, group_tables, write_new_study
from abx.errors import AbxError
from abx.workspace import Workspace
from stimuli.errors import InputError as StimuliInputError

__all__ = ["files_page", "plan_page", "responses_page", "sound_page"]

WRONG = (AbxError, StimuliInputError)


def open_workspace() -> Workspace | None:
    """Return the study of this desk, or say that there is none yet."""
    try:
        return Workspace.open(desk_root())
    except AbxError:
        st.info("There is no study in this folder yet. Begin on the page Files.")
        return None


def command_hint(command: str) -> None:
    """Show the command that does the same."""
    st.caption(f"The same as a command: `earwitness {command}`")


# Files --------------------------------------------------------------------------------------


def files_page() -> None:
    """Create a study from files, or show and edit the study file."""
    st.title("Files")
    if (desk_root() / "study.toml").is_file():
        _edit()
    else:
        _create()


def _edit() -> None:
    from abx.study import study_from_text
    from abx.workspace import replace_file

    path = desk_root() / "study.toml"
    text = st.text_area("Study file", path.read_text(encoding="utf-8"), height=420)
    if st.button("Check and save", type="primary"):
        try:
            study_from_text(text, path=path)
        except WRONG as error:
            st.error(f"Not saved. {error}")
            return
        with replace_file(path) as target:
            target.write_text(text, encoding="utf-8")
        st.success("Saved.")
    command_hint("new DIR, then any editor")


def _create() -> None:
    from stimuli.target import BUILT_IN_TARGETS

    title = st.text_input("Title of the study")
    target = st.selectbox("Target curve", list(BUILT_IN_TARGETS))
    tables = st.file_uploader(
        "Measured response tables, one for each microphone position",
        accept_multiple_files=True,
        type=["csv", "txt", "frd", "tsv"],
        key="tables",
    )
    music = st.file_uploader(
        "Music excerpts of 10 to 20 seconds",
        accept_multiple_files=True,
        type=["wav", "flac", "ogg"],
        key="music",
    )
    stages = _stage_table([table.name for table in tables])
    methods = st.multiselect(
        "What to ask",
        ["paired", "abx", "triangle"],
        default=["paired"],
        format_func={
            "paired": "which of two is preferred",
            "abx": "whether a difference is heard (ABX)",
            "triangle": "whether a difference is heard (triangle)",
        }.__getitem__,
    )
    left, right = st.columns(2)
    trials = left.number_input("Trials of each pair and listener", 1, 64, 2)
    listeners = right.number_input("Listeners", 1, 1000, 16)
    ready = bool(title and len(stages) > 1 and music and methods)
    if st.button("Create the study", type="primary", disabled=not ready):
        new = NewStudy(
            title=title,
            target=target,
            stages=tuple(stages),
            programmes=tuple(one.name for one in music),
            methods=tuple(methods),
            trials=int(trials),
            listeners=int(listeners),
        )
        files = {one.name: one.getvalue() for one in [*tables, *music]}
        try:
            write_new_study(desk_root(), new, files)
        except WRONG as error:
            st.error(f"Nothing was written. {error}")
            return
        st.rerun()
    command_hint("new DIR")


def _stage_table(names: list[str]) -> list[NewStage]:
    groups = group_tables(names)
    if not groups:
        return []
    st.write("Tables with the same name but for a number at the end are one stage:")
    rows = pd.DataFrame(
        [
            {"Stage": name, "Tables": ", ".join(files), "Cost": 0.0, "Labour in hours": 0.0}
            for name, files in groups.items()
        ]
    )
    edited = st.data_editor(rows, disabled=["Tables"], hide_index=True, key="stages")
    return [
        NewStage(
            label=str(row["Stage"]),
            tables=tuple(files),
            cost=float(row["Cost"]),
            labour_h=float(row["Labour in hours"]),
        )
        for (_, row), files in zip(edited.iterrows(), groups.values(), strict=True)
    ]


# Responses ----------------------------------------------------------------------------------


def responses_page() -> None:
    """Show what was measured and how far it is from the target."""
    st.title("Responses")
    workspace = open_workspace()
    if workspace is None:
        return
    try:
        curves, figures = _responses(workspace)
    except WRONG as error:
        st.error(str(error))
        return
    st.altair_chart(_curve_chart(curves, "level_db", "Level in dB"))
    st.header("Deviation from the target")
    st.altair_chart(_curve_chart(curves[curves.stage != "target"], "deviation_db", "dB"))
    st.dataframe(figures, hide_index=True)


def _responses(workspace: Workspace) -> tuple[pd.DataFrame, pd.DataFrame]:
    from abx.steps import load_stages, load_study
    from abx.study import target_curve
    from stimuli.deviation import deviation

    study = load_study(workspace)
    target = target_curve(study, workspace.root)
    parts, figures = [], []
    labels = {stage.id: stage.label for stage in study.stages}
    for stage, response in load_stages(workspace, study).items():
        found = deviation(response, target)
        level = found.deviation_db + target.level_at(found.f_hz)
        parts.append(
            pd.DataFrame(
                {
                    "f_hz": found.f_hz,
                    "level_db": level,
                    "deviation_db": found.deviation_db,
                    "stage": labels[stage],
                }
            )
        )
        figures.append(
            {
                "Stage": labels[stage],
                "Spread of the deviation in dB": round(found.sd_db, 2),
                "Mean size in dB": round(found.mean_abs_db, 2),
                "Tilt in dB per octave": round(found.tilt_db_per_octave, 2),
                "Positions": response.n_positions,
                "Known from Hz": round(found.valid_low_hz),
                "to Hz": round(found.valid_high_hz),
            }
        )
    grid = parts[0]["f_hz"]
    parts.append(pd.DataFrame({"f_hz": grid, "level_db": target.level_at(grid), "stage": "target"}))
    return pd.concat(parts, ignore_index=True), pd.DataFrame(figures)


def _curve_chart(curves: pd.DataFrame, column: str, title: str) -> Any:
    import altair as alt

    return (
        alt.Chart(curves)
        .mark_line()
        .encode(
            x=alt.X("f_hz:Q", title="Frequency in Hz").scale(type="log", domain=[20, 20000]),
            y=alt.Y(f"{column}:Q", title=title),
            color=alt.Color("stage:N", title="", sort=None).legend(orient="bottom", columns=3),
            strokeDash=alt.StrokeDash("stage:N", title="", sort=None),
        )
        .properties(height=380)
    )


# Sound --------------------------------------------------------------------------------------


def sound_page() -> None:
    """Render the stimuli with progress, show the check, let the owner hear them."""
    from abx.steps import check_stimuli, render

    st.title("Sound")
    workspace = open_workspace()
    if workspace is None:
        return
    if st.button("Render and check", type="primary"):
        try:
            with progress_bar() as show:
                render(workspace, show)
                check_stimuli(workspace, show)
        except WRONG as error:
            st.error(f"The earlier stimuli stay as they were. {error}")
            return
    command_hint("render, then verify")
    if not (workspace.stimuli / "manifest.json").is_file():
        st.write("The stimuli are not rendered yet.")
        return
    try:
        _check_table(workspace)
    except WRONG as error:
        st.error(str(error))
        return
    _hear(workspace)


@contextmanager
def progress_bar() -> Iterator[Callable[[int, int, str], None]]:
    """Show a bar from the first report of progress to the end of the block."""
    place = st.empty()

    def show(done: int, total: int, what: str) -> None:
        place.progress(min(1.0, done / max(1, total)), what)

    yield show
    place.empty()


def _check_table(workspace: Workspace) -> None:
    from abx.steps import stimuli_check

    with progress_bar() as show:
        checks = stimuli_check(workspace, show)
    passed = all(check["passed"] for check in checks)
    st.header("Measured back from the files")
    (st.success if passed else st.error)(
        "Every check passed." if passed else "At least one check failed; do not open the study."
    )
    st.dataframe(
        pd.DataFrame(
            [
                {
                    "Check": check["name"],
                    "Passed": "yes" if check["passed"] else "no",
                    "Figure": check["figure"],
                    "Limit": check["limit"],
                    "In words": check["words"],
                }
                for check in checks
            ]
        ),
        hide_index=True,
    )


def _hear(workspace: Workspace) -> None:
    from abx.player import mount_player
    from abx.steps import load_study

    st.header("Hear it")
    st.write("All stages of an excerpt at matched level. The first time you set your own level.")
    study = load_study(workspace)
    names = [one.id for one in study.programmes]
    programme = st.radio("Excerpt", names, index=None, horizontal=True)
    if programme:
        mount_player(f"desk-{programme}", key=f"hear-{programme}")


# Plan ---------------------------------------------------------------------------------------


def plan_page() -> None:
    """Say what the plan asks of a listener and what it can find."""
    from abx.planning import describe_plan
    from abx.steps import load_study

    st.title("Plan")
    workspace = open_workspace()
    if workspace is None:
        return
    try:
        study = load_study(workspace)
        lines = describe_plan(study)
    except WRONG as error:
        st.error(str(error))
        return
    st.markdown("\n".join(f"- {line}" for line in lines))
    st.header("What this panel can find")
    st.write(
        "Chance that the test between listeners notices a pair when, on average, this share of "
        "answers goes one way. Listeners are taken to differ (SD 0.10 of the share)."
    )
    st.dataframe(power_table(study), hide_index=True)
    command_hint("plan")


@st.cache_data(show_spinner="Working out the power", hash_funcs={"abx.study.Study": str})
def power_table(study: Any) -> pd.DataFrame:
    """Power of each pair test for shares of 60 to 90 %."""
    from abx.methods import get_method
    from analysis.power import panel_power

    rows = []
    for test in study.tests:
        method = get_method(test.method)
        if not method.compares_pairs or study.plan.listeners < 2:
            continue
        chance = 1 / method.n_keys if method.n_keys > 1 else 0.5
        row: dict[str, Any] = {"Test": method.label, "By chance": f"{100 * chance:.0f} %"}
        for share in (0.6, 0.7, 0.8, 0.9):
            power = panel_power(
                share,
                study.plan.listeners,
                test.trials,
                chance=chance,
                spread=0.1,
                alpha=study.plan.alpha,
                n_studies=1000,
            )
            row[f"at {100 * share:.0f} %"] = f"{100 * power:.0f} %"
        rows.append(row)
    return pd.DataFrame(rows)


def desk_folder_name() -> str:
    """Return the name of the study folder for the page's head."""
    return Path(desk_root()).resolve().name
