"""An invented refit with plausible measurements, for trying the whole way through.

Everything here is made up: the ferry, the workshop, the parts, the prices and the curves.
The curves follow common practice (no source): bare wall panels that ring near 250 Hz, aged
loudspeakers with a hollow in the middle and a treble that droops, loudspeakers that do
little below 60-80 Hz, a room that lifts the lowest octaves, a low-frequency unit below
80 Hz and equalisation towards a usual house curve.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["POSITIONS", "STAGES", "DemoStage", "response_table", "study_text"]

#: Microphone positions in the saloon.
POSITIONS = ("port bench", "middle table", "starboard bench")

_BANDS_HZ: NDArray[np.float64] = 1000.0 * 10.0 ** (np.arange(-17, 14) / 10.0)
_NOMINAL = (
    "20 25 31.5 40 50 63 80 100 125 160 200 250 315 400 500 630 800 1000 1250 1600 "
    "2000 2500 3150 4000 5000 6300 8000 10000 12500 16000 20000"
).split()


@dataclass(frozen=True, slots=True)
class DemoStage:
    """One invented stage.

    Attributes
    ----------
    id, label : str
        As in the study file.
    factors : mapping of str to str
        Walls, ceiling loudspeakers, low-frequency unit, alignment.
    cost, labour_h : float
        Invented price of parts and hours of work, from the saloon as found.
    """

    id: str
    label: str
    factors: Mapping[str, str] = field(hash=False)
    cost: float
    labour_h: float


def _stage(
    stage_id: str, label: str, parts: tuple[str, str, str, str], cost: float, labour_h: float
) -> DemoStage:
    names = ("walls", "ceiling", "low_unit", "alignment")
    return DemoStage(stage_id, label, dict(zip(names, parts, strict=True)), cost, labour_h)


STAGES: tuple[DemoStage, ...] = (
    _stage("as-found", "As found", ("bare", "aged", "none", "none"), 0.0, 0.0),
    _stage("damped", "Wall damping", ("damped", "aged", "none", "none"), 210.0, 3.0),
    _stage("ceiling", "New loudspeakers", ("bare", "new", "none", "none"), 2240.0, 26.0),
    _stage("refit", "Walls and ceiling", ("damped", "new", "none", "none"), 2450.0, 28.0),
    _stage("low-unit", "Low-frequency unit", ("damped", "new", "fitted", "none"), 3690.0, 36.0),
    _stage(
        *("aligned", "Alignment", ("damped", "new", "fitted", "by measurement")),
        *(4110.0, 42.0),
    ),
)

# Break points (Hz, dB) of each part's contribution; straight lines over log frequency.
_SALOON = ((20, 9), (40, 7), (63, 4.5), (100, 2.5), (160, 1), (315, 0), (2000, 0), (20000, -1))
_BARE_WALLS = ((125, 0), (160, 1), (200, 4), (250, 6), (315, 4), (400, 1), (500, 0))
_DAMPED_WALLS = ((200, 0), (315, -0.3), (2000, -0.3), (8000, -0.5), (20000, -0.8))
_AGED_CEILING = (
    *((20, -17), (31.5, -12), (40, -9), (50, -6.5), (63, -3.5), (80, -1), (100, 0), (400, 0)),
    *((500, -4), (630, -9), (800, -10), (1000, -6), (1250, -2), (1600, 0), (5000, 0)),
    *((6300, -2.5), (8000, -6.5), (10000, -11.5), (12500, -17), (16000, -22), (20000, -27)),
)
_NEW_CEILING = (
    *((20, -16), (31.5, -11), (40, -8.5), (50, -6), (63, -3), (80, -0.5), (100, 0), (500, 0)),
    *((800, -0.5), (2000, 0.5), (5000, 2), (8000, 1.5), (12500, 0), (16000, -1.5), (20000, -4)),
)
_LOW_UNIT = ((20, -6), (25, -2), (31.5, 1), (40, 2), (63, 2), (80, 0.5), (100, -5), (200, -40))
_TARGET = ((20, 6), (25, 6), (125, 6), (200, 0), (12500, 0), (20000, -4))

#: Share of the way to the target that the invented alignment goes, band by band at most.
_ALIGNMENT_SHARE = 0.6


def _curve(points: tuple[tuple[float, float], ...]) -> NDArray[np.float64]:
    f_hz, level_db = np.array(points, dtype=float).T
    return np.asarray(np.interp(np.log(_BANDS_HZ), np.log(f_hz), level_db))


def _power_sum(*levels_db: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(10.0 * np.log10(sum(10.0 ** (level / 10.0) for level in levels_db)))


def _mean_curve(stage: DemoStage) -> NDArray[np.float64]:
    walls = _DAMPED_WALLS if stage.factors["walls"] == "damped" else _BARE_WALLS
    level = _curve(_NEW_CEILING if stage.factors["ceiling"] == "new" else _AGED_CEILING)
    if stage.factors["low_unit"] == "fitted":
        level = _power_sum(level, _curve(_LOW_UNIT))
    level = level + _curve(walls) + _curve(_SALOON)
    if stage.factors["alignment"] != "none":
        level = level + _ALIGNMENT_SHARE * (_curve(_TARGET) - level)
    return level


def _position_ripple(position: int, stage_id: str) -> NDArray[np.float64]:
    # What a microphone a few seats away sees: the saloon's comb, the same for every
    # stage, growing above 500 Hz, and a little repeat error of the measurement itself.
    saloon = np.random.default_rng(1000 + position)
    depth = np.interp(np.log(_BANDS_HZ), np.log([60.0, 500.0, 8000.0]), [0.4, 1.0, 1.6])
    repeat = np.random.default_rng([2000 + position, zlib.crc32(stage_id.encode())])
    ripple = depth * saloon.standard_normal(_BANDS_HZ.size)
    return np.asarray(ripple + 0.25 * repeat.standard_normal(_BANDS_HZ.size))


def response_table(stage: DemoStage, position: int) -> str:
    """Return one invented response table as text.

    Parameters
    ----------
    stage : DemoStage
        Which stage.
    position : int
        Index into :data:`POSITIONS`.

    Returns
    -------
    str
        Comment lines, a header and 31 one-third-octave levels in dB, 20 Hz to 20 kHz.
    """
    level_db = 74.0 + _mean_curve(stage) + _position_ripple(position, stage.id)
    lines = [
        "# INVENTED DATA for the demonstration; no real vessel was measured",
        f"# Ferry Wendlefay, passenger saloon, {POSITIONS[position]}: {stage.label}",
        "# pink noise, 1/3-octave levels, 30 s average",
        "frequency_hz,level_db",
    ]
    lines += [f"{f},{level:.2f}" for f, level in zip(_NOMINAL, level_db, strict=True)]
    return "\n".join(lines) + "\n"


def response_name(stage: DemoStage, position: int) -> str:
    """File name of one response table inside ``responses/``."""
    return f"{stage.id}-p{position + 1}.csv"


def study_text(programmes: Mapping[str, float], *, listeners: int) -> str:
    """Return the demonstration's ``study.toml``.

    Parameters
    ----------
    programmes : mapping of str to float
        Programme id to length in seconds.
    listeners : int
        Planned number of listeners.

    Returns
    -------
    str
        A complete study file with comments.
    """
    plan = _PLAN.format(listeners=listeners)
    stages = map(_stage_block, STAGES)
    return "\n".join([_HEAD, *stages, *map(_programme_block, programmes), _TESTS, plan])


_HEAD = """\
# A demonstration study. The workshop, the ferry, the parts, the prices, the measurements
# and the music are invented.
format = 1
title = "Ferry Wendlefay: what to upgrade first"
target = "house-curve"
note = "Invented job of the invented Quernhollin Workshop: the saloon of a lake ferry."
"""


def _stage_block(stage: DemoStage) -> str:
    responses = ", ".join(
        f'"responses/{response_name(stage, position)}"' for position in range(len(POSITIONS))
    )
    factors = ", ".join(f'{name} = "{value}"' for name, value in stage.factors.items())
    return (
        f'[[stages]]\nid = "{stage.id}"\nlabel = "{stage.label}"\n'
        f"responses = [{responses}]\nfactors = {{ {factors} }}\n"
        f"cost = {stage.cost}\nlabour_h = {stage.labour_h}\n"
    )


def _programme_block(programme: str) -> str:
    return f'[[programmes]]\nid = "{programme}"\nfile = "programmes/{programme}.wav"\n'


_TESTS = """\
# Do listeners hear the step at all?
[[tests]]
method = "abx"
pairs = [
    ["as-found", "damped"],
    ["as-found", "ceiling"],
    ["ceiling", "refit"],
    ["refit", "low-unit"],
    ["low-unit", "aligned"],
]
trials = 4
controls = { identical = 1, obvious = 1 }

# Which of two do they like better? Every pair once, three asked again.
[[tests]]
method = "paired"
stages = "all"
trials = 1
repeats = 3
"""

_PLAN = """\
[plan]
listeners = {listeners}
alpha = 0.05
stopping = "fixed"
primary_metric = "deviation_sd_db"
claims = [
    "listeners can tell damped from as-found",
    "listeners can tell ceiling from as-found",
    "listeners prefer ceiling over as-found",
    "step ceiling before damped",
    "listeners prefer refit over ceiling",
    "listeners prefer low-unit over refit",
    "listeners prefer aligned most",
]
"""
