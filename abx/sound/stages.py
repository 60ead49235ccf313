"""From the stages of a study to what is rendered: tables, sides, impulses, made stages."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from abx.errors import InputError
from abx.study.model import Stage, Study, target_curve
from abx.study.workspace import Workspace
from stimuli.files.soundfiles import read_sound
from stimuli.response.measured import Response, power_average, read_response

if TYPE_CHECKING:
    import numpy as np

    from stimuli.filters.design import FilterChoices
    from stimuli.filters.stages import StageSpec
    from stimuli.response.measured import StageResponse

__all__ = [
    "filter_choices",
    "playback_response",
    "stage_files",
    "stage_repeats",
    "stage_specs",
    "stage_tables",
]

_RATE_HZ = 48000


def stage_files(study: Study) -> list[str]:
    """Every file that the stages of a study name."""
    files = []
    for stage in study.stages:
        files += [*stage.responses, *stage.right_responses, *stage.again]
        files += [stage.impulse] if stage.impulse else []
    return files


def stage_tables(workspace: Workspace, study: Study) -> dict[str, list[Response]]:
    """Read the response tables of every stage; one made table for a stage never built.

    Returns
    -------
    dict of str to list of Response
        Tables of the right side follow those of the left.
    """
    tables: dict[str, list[Response]] = {}
    for stage in study.stages:
        files = (*stage.responses, *stage.right_responses)
        tables[stage.id] = [read_response(workspace.root / file) for file in files]
    for stage in study.stages:
        if stage.made is not None:
            made = _made(workspace, study, stage, tables).response
            tables[stage.id] = [
                Response(
                    made.f_hz,
                    made.level_db,
                    source=", ".join(made.sources),
                    sha256="+".join(made.sha256),
                )
            ]
    return tables


def stage_repeats(workspace: Workspace, stage: Stage) -> list[list[Response]]:
    """Read what was measured once more at a stage; empty where nothing was."""
    again = [read_response(workspace.root / file) for file in stage.again]
    return [again] if again else []


def stage_specs(workspace: Workspace, study: Study) -> list[StageSpec]:
    """Return the stages as the renderer wants them.

    Raises
    ------
    InputError
        If a table or an impulse response cannot serve.
    """
    from stimuli.filters.stages import StageSpec

    tables = stage_tables(workspace, study)
    specs = []
    for stage in study.stages:
        if stage.made is not None:
            made = _made(workspace, study, stage, tables)
            response = power_average(tables[stage.id])
            specs.append(StageSpec(stage.id, stage.label, response, synthetic=made.synthetic))
            continue
        split = len(stage.responses)
        specs.append(
            StageSpec(
                stage.id,
                stage.label,
                power_average(tables[stage.id][:split]),
                right=power_average(tables[stage.id][split:]) if stage.right_responses else None,
                impulse=_impulse(workspace, stage) if stage.impulse else None,
            )
        )
    return specs


def _made(
    workspace: Workspace, study: Study, stage: Stage, tables: dict[str, list[Response]]
) -> StageSpec:
    from stimuli.filters.experiments import SWAP_REGIONS, corrected_copy, partial_steps, region_swap
    from stimuli.filters.stages import StageSpec

    made = stage.made
    assert made is not None

    def parent(name: str) -> StageSpec:
        return StageSpec(name, name, power_average(tables[name]))

    base = parent(made.base)
    if made.other is None:
        target = target_curve(study, workspace.root)
        return corrected_copy(base, target, made.regions[0], edges=SWAP_REGIONS)
    if made.share is not None:
        return partial_steps(base, parent(made.other), shares=[made.share])[0]
    return region_swap(base, parent(made.other), made.regions, edges=SWAP_REGIONS)


def _impulse(workspace: Workspace, stage: Stage) -> np.ndarray:
    """Read a measured impulse response at the rate of the stimuli."""
    assert stage.impulse is not None
    path = workspace.root / stage.impulse
    samples, rate = read_sound(path, what="impulse response", longest_s=60.0)
    if samples.shape[1] != 1:
        raise InputError(
            source=path.name,
            problem=f"the impulse response has {samples.shape[1]} channels",
            remedy="Save the channel of the microphone alone",
        )
    heard = samples[:, 0]
    if rate == _RATE_HZ:
        return heard
    import soxr

    return soxr.resample(heard, rate, _RATE_HZ, quality="VHQ")


def playback_response(workspace: Workspace, study: Study) -> StageResponse | None:
    """Return what the playback already does: headphones, or the stage installed now."""
    files: Iterable[str] = ()
    if study.playback_response is not None:
        files = (study.playback_response,)
    elif study.playback_stage is not None:
        installed = study.stage(study.playback_stage)
        files = (*installed.responses, *installed.right_responses)
    tables = [read_response(workspace.root / file) for file in files]
    return power_average(tables) if tables else None


def filter_choices(study: Study) -> FilterChoices:
    """Return the choices of ``[rendering]`` as the filter design wants them."""
    from stimuli.filters.design import FilterChoices

    chosen = study.rendering
    return FilterChoices(
        phase=chosen.phase,  # type: ignore[arg-type]
        smoothing=chosen.smoothing,  # type: ignore[arg-type]
        fill_dips=chosen.fill_dips,
        boost_cap_db=chosen.boost_cap_db,
    )
