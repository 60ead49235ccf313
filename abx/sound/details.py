"""Figures of each stage with what they rest on, differences that are resolved, and pictures."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Any

from abx.sound.stages import stage_repeats, stage_tables
from abx.study.model import Study, target_curve
from abx.study.workspace import Workspace, replace_file
from stimuli.figures.deviation import compare_with_target
from stimuli.figures.metrics import compare_metric, measure_metrics
from stimuli.figures.pictures import draw_region_table, draw_responses, save_picture
from stimuli.figures.reach import bandwidth
from stimuli.filters.fir import taps_for_lowest_band
from stimuli.response.measured import power_average

if TYPE_CHECKING:
    from stimuli.figures.metrics import MetricValue
    from stimuli.figures.reach import Bandwidth

__all__ = ["StageDetail", "detail_record", "draw_stages", "stage_details"]

_RATE_HZ = 48_000
_COMPARED = ("deviation_sd_db", "deviation_mean_abs_db", "tilt_db_per_octave")
_WORDS = {
    "deviation_sd_db": "Spread of the deviation",
    "deviation_mean_abs_db": "Mean size",
    "tilt_db_per_octave": "Tilt",
}


@dataclasses.dataclass(frozen=True, slots=True)
class StageDetail:
    """What is known about one stage.

    Attributes
    ----------
    stage, label : str
        As in the study.
    metrics : dict of str to MetricValue
        Every figure with grid, smoothing, valid band, target hash and repeat SD.
    bandwidths : tuple of Bandwidth
        Where the response is 6 and 10 dB down.
    filter_taps : int
        Length of its filter at 48 kHz; 0 where a measured impulse is used.
    against_first : dict of str to str
        Differences from the first stage in words, ``not resolved`` below two repeat SDs.
    """

    stage: str
    label: str
    metrics: dict[str, MetricValue]
    bandwidths: tuple[Bandwidth, ...]
    filter_taps: int
    against_first: dict[str, str]

    def lines(self) -> list[str]:
        """Return the figures as lines for people."""
        lines = []
        for name in _COMPARED:
            value = self.metrics[name]
            sd = "" if value.repeat_sd is None else f", repeat SD {value.repeat_sd:.2f}"
            lines.append(f"{_WORDS[name]}: {value.value:.2f} {value.unit}{sd}")
        lines += [_bandwidth_words(found) for found in self.bandwidths]
        some = self.metrics[_COMPARED[0]]
        lines.append(
            f"Known from {some.valid_low_hz:.0f} to {some.valid_high_hz:.0f} Hz; {some.grid}, "
            f"{some.smoothing}; repeat SD by {some.repeat_kind}; target {some.target_sha256[:8]}"
        )
        if self.filter_taps:
            seconds = self.filter_taps / _RATE_HZ
            lines.append(
                f"Filter: {self.filter_taps} samples at 48 kHz ({seconds:.2f} s), for the band "
                f"that begins at {some.valid_low_hz:.0f} Hz"
            )
        lines += [
            f"{_WORDS[name]} against the first stage: {words}"
            for name, words in self.against_first.items()
        ]
        return lines


def _bandwidth_words(found: Bandwidth) -> str:
    low = "below what is known" if found.low_hz is None else f"{found.low_hz:.0f} Hz"
    high = "above what is known" if found.high_hz is None else f"{found.high_hz:.0f} Hz"
    return f"{found.drop_db:g} dB down at: {low} and {high}"


def stage_details(workspace: Workspace, study: Study) -> list[StageDetail]:
    """Work out the figures of every stage, in the order of the study."""
    target = target_curve(study, workspace.root)
    found: list[StageDetail] = []
    tables = stage_tables(workspace, study)
    for stage in study.stages:
        response = power_average(tables[stage.id])
        metrics = measure_metrics(tables[stage.id], target, repeats=stage_repeats(workspace, stage))
        first = found[0].metrics if found else None
        same = first is not None and first[_COMPARED[0]].grid == metrics[_COMPARED[0]].grid
        found.append(
            StageDetail(
                stage=stage.id,
                label=stage.label,
                metrics=metrics,
                bandwidths=tuple(bandwidth(response, drop_db=drop) for drop in (6.0, 10.0)),
                filter_taps=0
                if stage.impulse
                else taps_for_lowest_band(float(response.bands().low_hz[0]), _RATE_HZ),
                against_first={
                    name: compare_metric(metrics[name], first[name]).words for name in _COMPARED
                }
                if same and first is not None
                else {},
            )
        )
    return found


def detail_record(found: StageDetail) -> dict[str, Any]:
    """Return a stage's figures as plain data, at full precision; undefined ones are null."""
    record = dataclasses.asdict(found)
    for value in record["metrics"].values():
        for name in ("value", "repeat_sd"):
            number = value[name]
            value[name] = number if number is not None and abs(number) < float("inf") else None
    return record


def draw_stages(workspace: Workspace, study: Study, folder: Path) -> list[Path]:
    """Draw the responses against the target, and the stages by regions; two SVG files."""
    target = target_curve(study, workspace.root)
    labels = {stage.id: stage.label for stage in study.stages}
    stages = {
        labels[name]: power_average(found) for name, found in stage_tables(workspace, study).items()
    }
    pictures = {
        "responses.svg": draw_responses(stages, target),
        "regions.svg": draw_region_table(
            {n: compare_with_target(s, target) for n, s in stages.items()}
        ),
    }
    folder.mkdir(parents=True, exist_ok=True)
    for name, figure in pictures.items():
        with replace_file(folder / name) as temporary:
            save_picture(figure, temporary)
    return [folder / name for name in pictures]
