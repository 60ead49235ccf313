"""``earwitness add``: more stages or excerpts for a study that nobody has heard yet."""

from __future__ import annotations

from pathlib import Path

import click

from abx.commands._area import study_argument
from abx.commands._show import detail, say
from abx.text.shell import command_line

__all__ = ["FILES", "command", "read_files"]

FILES = click.Path(path_type=Path, exists=True, dir_okay=False)


@click.command("add")
@study_argument
@click.argument("files", type=FILES, nargs=-1, required=True)
@click.option("--label", help="Words for the stage, where the tables are of one stage.")
@click.option("--cost", type=click.FloatRange(0), help="Price of the stage. Default: not known.")
@click.option("--hours", type=click.FloatRange(0), help="Hours of work. Default: not known.")
def command(
    study: str, files: tuple[Path, ...], label: str | None, cost: float | None, hours: float | None
) -> None:
    """Add FILES to STUDY: response tables become stages, music becomes excerpts.

    Tables with the same name but for a number at the end are one stage. Every file is
    checked first; nothing is added if one cannot be used. A price that is not given is not
    known, which is not the same as free.
    """
    from abx.study.workspace import Workspace
    from abx.web.desk.new_study import NewStage, add_to_study, group_tables, is_sound

    workspace = Workspace.open(study)
    contents = read_files(files)
    groups = group_tables([name for name in contents if not is_sound(name)])
    if label and len(groups) != 1:
        raise click.UsageError(f"--label names one stage, and the tables are of {len(groups)}")
    stages = [
        NewStage(label or name, tuple(tables), cost=cost, labour_h=hours)
        for name, tables in groups.items()
    ]
    music = [name for name in contents if is_sound(name)]
    add_to_study(workspace.root, contents, stages=stages, programmes=music)
    for stage in stages:
        detail(f"stage {stage.label}: {', '.join(stage.tables)}")
    for name in music:
        detail(f"excerpt {name}")
    say(f"Added to {workspace.study_file}", always=True)
    say(f"Next: {command_line('render', workspace.root)}")


def read_files(files: tuple[Path, ...]) -> dict[str, bytes]:
    """Read files by name; two of one name are refused.

    Raises
    ------
    InputError
        If two files have one name.
    """
    from abx.errors import InputError
    from abx.web.desk.new_study import names_used_twice

    twice = names_used_twice([path.name for path in files])
    if twice:
        raise InputError(
            source=twice[0],
            problem="two files have this name",
            remedy="give each file a name of its own",
        )
    return {path.name: path.read_bytes() for path in files}
