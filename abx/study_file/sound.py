"""Parts of the study file that shape the sound: made stages, sides, impulses, rendering."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from abx.errors import InputError
from abx.study.model import Made, Rendering, Stage
from abx.text.toml_reader import Reader, did_you_mean, show

__all__ = [
    "MADE_MARK",
    "SoundSources",
    "add_region_runs",
    "check_parents",
    "read_made",
    "read_playback_stage",
    "read_rendering",
    "read_sources",
]

Check = Callable[[str, Callable[[str, str], InputError]], str]

MADE_MARK = " (made)"
"""Ends the label of a stage that was never built, on every page and in every table."""

SMOOTHING = {"none": "none", "1/12": "twelfth", "1/6": "sixth", "1/3": "bands"}
"""Widths of the study file, in octaves, and their names in
:class:`stimuli.filters.design.FilterChoices`."""


@dataclass(frozen=True, slots=True)
class SoundSources:
    """Files of a measured stage beside its response tables."""

    right_responses: tuple[str, ...]
    again: tuple[str, ...]
    impulse: str | None


def read_sources(table: Reader, check: Check) -> SoundSources:
    """Read the tables of the right side, the repeats and the impulse response of a stage.

    Raises
    ------
    InputError
        If an impulse response stands beside tables of the right side, or a file cannot be used.
    """

    def tables(key: str) -> tuple[str, ...]:
        return tuple(
            check(name, table.failing(key, index))
            for index, name in enumerate(table.strings(key, default=[]))
        )

    right, again = tables("right_responses"), tables("again")
    impulse = None
    if "impulse" in table.data:
        impulse = check(table.text("impulse", max_length=400), table.failing("impulse"))
    if impulse and right:
        raise table.error(
            "impulse",
            "an impulse response and tables of the right side together",
            "give one of the two: the impulse response serves both sides",
        )
    return SoundSources(right, again, impulse)


def read_made(table: Reader) -> Made | None:
    """Read how a stage that was never built is made from measured ones.

    Raises
    ------
    InputError
        If it does not say exactly one way, or stands beside measurements or a price.
    """
    made = table.table("made")
    if made is None:
        return None
    for key in ("responses", "right_responses", "again", "impulse"):
        if key in table.data:
            raise table.error(key, f"'made' and '{key}' together", "give one of the two")
    for key in ("cost", "labour_h"):
        if key in table.data:
            raise table.error(
                key,
                f"'made' and '{key}' together",
                "remove it: a made stage is an experiment that nobody can buy",
            )
    made.only(("from", "regions", "of", "share", "to", "corrected"))
    kinds = [key for key in ("regions", "share", "corrected") if key in made.data]
    if len(kinds) != 1:
        raise table.error(
            "made",
            "it has to say exactly one of regions, share and corrected",
            'write { from = "one", regions = ["bass"], of = "other" }, '
            '{ from = "one", share = 0.5, to = "other" } or { from = "one", corrected = "bass" }',
        )
    base = made.text("from")
    if kinds[0] == "regions":
        made.only(("from", "regions", "of"))
        regions = made.strings("regions", minimum=1)
        for index, name in enumerate(regions):
            _check_region(made, name, ("regions", index))
        return Made(base, other=made.text("of"), regions=tuple(regions))
    if kinds[0] == "share":
        made.only(("from", "share", "to"))
        return Made(base, other=made.text("to"), share=made.number("share", low=0.0, high=1.0))
    made.only(("from", "corrected"))
    region = made.text("corrected")
    _check_region(made, region, ("corrected",))
    return Made(base, regions=(region,))


def _check_region(table: Reader, name: str, place: tuple[str | int, ...]) -> None:
    from stimuli.filters.experiments import SWAP_REGIONS

    if name not in SWAP_REGIONS:
        raise table.at(place, f"there is no region '{name}'", did_you_mean(name, SWAP_REGIONS))


def check_parents(tables: list[Reader], stages: tuple[Stage, ...]) -> None:
    """Refuse made stages whose parents are not measured stages.

    Raises
    ------
    InputError
        If a made stage names one that was not measured.
    """
    measured = tuple(stage.id for stage in stages if stage.made is None)
    for table, stage in zip(tables, stages, strict=False):
        if stage.made is None:
            continue
        for key, parent in (("from", stage.made.base), (stage.made.key, stage.made.other)):
            if parent is not None and parent not in measured:
                raise table.at(
                    ("made", key),
                    f"there is no measured stage '{parent}'",
                    did_you_mean(parent, measured),
                )


def add_region_runs(root: Reader, stages: tuple[Stage, ...]) -> tuple[Stage, ...]:
    """Add the stages of ``[region_runs]``: five regions of two stages in 16 combinations.

    Raises
    ------
    InputError
        If its two stages are one, or the id of a run is taken.
    """
    table = root.table("region_runs")
    if table is None:
        return stages
    from stimuli.filters.experiments import resolution_v_design

    table.only(("from", "to"))
    measured = tuple(stage.id for stage in stages if stage.made is None)
    first, second = table.choice("from", measured), table.choice("to", measured)
    if first == second:
        raise table.error("to", f"'{first}' twice", "name two stages")
    runs = resolution_v_design()
    ids = {f"run-{run.number:02d}" for run in runs}
    for stage in stages:
        if stage.id in ids:
            raise table.error(
                None, f"the stage id '{stage.id}' is taken by a run", "give that stage another id"
            )
    regions = list(runs[0].levels)
    added = [
        Stage(
            id=f"run-{run.number:02d}",
            label=f"{first} with {', '.join(run.taken)} of {second}{MADE_MARK}",
            responses=(),
            factors={
                _factor(region): second if region in run.taken else first for region in regions
            },
            cost=None,
            labour_h=None,
            made=Made(first, other=second, regions=run.taken),
        )
        for run in runs
    ]
    # The two stages themselves are the runs without a swap and with all: they carry factors too.
    whole = [
        replace(s, factors={**s.factors, **{_factor(r): s.id for r in regions}})
        if s.id in (first, second)
        else s
        for s in stages
    ]
    order = [s.id for s in whole]
    if order.index(second) < order.index(first):
        # The old level is the first that a stage table names.
        whole.sort(key=lambda s: s.id == second)
    return (*whole, *added)


def _factor(region: str) -> str:
    return "region_" + region.replace(" ", "_")


def read_rendering(root: Reader) -> Rendering:
    """Read ``[rendering]``: how filters are made and for which listening level."""
    table = root.table("rendering")
    if table is None:
        return Rendering()
    from stimuli.render.matching import MODELS

    table.only(
        ("phase", "smoothing", "fill_dips", "boost_cap_db", "loudness_model", "listening_level_db")
    )
    plain = Rendering()
    return Rendering(
        phase=table.choice("phase", ("minimum", "linear"), plain.phase),
        smoothing=SMOOTHING[table.choice("smoothing", tuple(SMOOTHING), "none")],
        fill_dips=table.boolean("fill_dips", plain.fill_dips),
        boost_cap_db=table.number("boost_cap_db", plain.boost_cap_db, low=0.0, high=40.0),
        loudness_model=table.choice("loudness_model", MODELS, plain.loudness_model),
        listening_level_db=table.number(
            "listening_level_db", plain.listening_level_db, low=40.0, high=100.0
        ),
    )


def read_playback_stage(table: Reader, stages: tuple[Stage, ...]) -> str | None:
    """Read the stage that is installed where the test is played.

    Raises
    ------
    InputError
        If there is no such measured stage, or a response is given as well.
    """
    if "stage" not in table.data:
        return None
    name = table.text("stage")
    measured = tuple(stage.id for stage in stages if stage.made is None)
    if name not in measured:
        raise table.error(
            "stage", f"there is no measured stage {show(name)}", did_you_mean(name, measured)
        )
    if "response" in table.data:
        raise table.error("stage", "response and stage together", "give one of the two")
    return name
