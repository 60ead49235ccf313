"""``earwitness excerpts``: which moments of a track tell the stages apart, and loop cleanly."""

from __future__ import annotations

from pathlib import Path

import click

from abx.commands._area import study_argument
from abx.commands._show import detail, heading, progress, say

__all__ = ["command"]


@click.command("excerpts")
@study_argument
@click.argument("track", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--length",
    "length_s",
    type=click.FloatRange(2, 60),
    default=12.0,
    show_default=True,
    help="Wanted length in seconds; found ones are within a fifth of it.",
)
@click.option("--count", type=click.IntRange(1, 10), default=3, show_default=True)
@click.option("--mono", is_flag=True, help="The track has one channel, and that is meant.")
@click.option(
    "--picture",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Draw what tells, when and at which frequencies, as SVG, PDF or PNG.",
)
def command(
    study: str, track: Path, length_s: float, count: int, mono: bool, picture: Path | None
) -> None:
    """Propose the most telling excerpts of TRACK for the stages of STUDY.

    Each moment is heard through every stage, made equally loud, by excitation patterns; it
    tells as far as those lie apart. The lines that are printed go into the study file.
    """
    from abx.sound.stages import stage_specs
    from abx.study.workspace import Workspace, replace_file
    from abx.study_file.reading import load_study
    from stimuli.figures.pictures import save_picture
    from stimuli.programme.excerpts import draw_telling, propose_excerpts
    from stimuli.programme.reading import ProgrammeSpec
    from stimuli.programme.telling import telling_moments

    workspace = Workspace.open(study)
    stages = stage_specs(workspace, load_study(workspace))
    spec = ProgrammeSpec(track.stem, track, mono=mono)
    with progress(f"Hearing {track.name} through {len(stages)} stages") as report:
        telling = telling_moments(
            spec,
            stages,
            around_s=length_s,
            progress=lambda done, total: report(int(10 * done), int(10 * total), ""),
        )
    found = propose_excerpts(spec, telling, length_s=length_s, count=count)
    for number, excerpt in enumerate(found, start=1):
        heading(f"{number}. from {excerpt.start_s:.2f} s, {excerpt.length_s:.2f} s", always=True)
        detail(
            f"stages lie {excerpt.telling_db:.2f} dB apart, most near "
            f"{excerpt.strongest_hz:.0f} Hz; {excerpt.seam_db:.1f} dB across the loop's seam",
            always=True,
        )
        detail(f"start_s = {excerpt.start_s:.4f}", always=True)
        detail(f"length_s = {excerpt.length_s:.4f}", always=True)
    if picture is not None:
        with replace_file(picture) as temporary:
            save_picture(draw_telling(telling, found), temporary)
        say(f"Picture in {picture}", always=True)
    say("Next: put start_s and length_s of the one you want into its [[programmes]]")
