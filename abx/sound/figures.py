"""What was measured at each stage, beside the target: curves and figures for people."""

from __future__ import annotations

from typing import TYPE_CHECKING

from abx.sound.stimuli import load_stages
from abx.study.model import target_curve
from abx.study.workspace import Workspace
from stimuli.figures.deviation import compare_with_target

if TYPE_CHECKING:
    import pandas as pd

    from abx.study.model import Study
    from stimuli.figures.deviation import Deviation
    from stimuli.response.measured import StageResponse

__all__ = ["stage_curves", "stage_figures"]


def _measured(workspace: Workspace, study: Study) -> list[tuple[str, StageResponse, Deviation]]:
    target = target_curve(study, workspace.root)
    labels = {stage.id: stage.label for stage in study.stages}
    return [
        (labels[stage], response, compare_with_target(response, target))
        for stage, response in load_stages(workspace, study).items()
    ]


def stage_curves(workspace: Workspace, study: Study) -> pd.DataFrame:
    """Return level and deviation of every stage, and the target, over frequency.

    Returns
    -------
    DataFrame
        Columns ``stage`` (label, or ``Target``), ``f_hz``, ``level_db``, ``deviation_db``;
        levels are aligned with the target.
    """
    import pandas as pd

    target = target_curve(study, workspace.root)
    parts = []
    for label, _, found in _measured(workspace, study):
        level_db = found.deviation_db + target.level_at(found.f_hz)
        columns = {"f_hz": found.f_hz, "level_db": level_db, "deviation_db": found.deviation_db}
        parts.append(pd.DataFrame({"stage": label, **columns}))
    grid = parts[0]["f_hz"]
    parts.append(pd.DataFrame({"stage": "Target", "f_hz": grid, "level_db": target.level_at(grid)}))
    return pd.concat(parts, ignore_index=True)


def stage_figures(workspace: Workspace, study: Study) -> list[dict[str, object]]:
    """Return one row of figures for each stage, rounded for reading."""
    return [
        {
            "Stage": label,
            "Spread of the deviation in dB": round(found.sd_db, 2),
            "Mean size in dB": round(found.mean_abs_db, 2),
            "Tilt in dB per octave": round(found.tilt_db_per_octave, 2),
            "Positions": response.n_positions,
            "Known from Hz": round(found.valid_low_hz),
            "Known to Hz": round(found.valid_high_hz),
        }
        for label, response, found in _measured(workspace, study)
    ]
