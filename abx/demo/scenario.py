"""An invented upgrade job with plausible measurements, for trying the whole way through.

Everything here is made up: the shop, the vehicle, the parts, the prices and the curves.
The curves follow common practice (no source): door speakers that do little below
60-80 Hz, a cabin that lifts the lowest octaves, a stock source that protects its
speakers with a bass roll-off and softens the treble, a subwoofer below 80 Hz and
equalisation towards the usual in-car target.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["POSITIONS", "STAGES", "DemoStage", "response_table", "study_text"]

#: Microphone positions about the driver's head.
POSITIONS = ("left ear", "centre", "right ear")

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
        Source, speakers, subwoofer, tuning.
    cost, labour_h : float
        Invented price of parts and hours of work, from the car as delivered.
    """

    id: str
    label: str
    factors: Mapping[str, str] = field(hash=False)
    cost: float
    labour_h: float


def _stage(
    stage_id: str, label: str, parts: tuple[str, str, str, str], cost: float, labour_h: float
) -> DemoStage:
    names = ("source", "speakers", "subwoofer", "tuning")
    return DemoStage(stage_id, label, dict(zip(names, parts, strict=True)), cost, labour_h)


STAGES: tuple[DemoStage, ...] = (
    _stage("as-delivered", "As delivered", ("stock", "stock", "none", "none"), 0.0, 0.0),
    _stage("source", "New source unit", ("new", "stock", "none", "none"), 480.0, 1.5),
    _stage("speakers", "New door speakers", ("stock", "new", "none", "none"), 390.0, 3.0),
    _stage("both", "Source and speakers", ("new", "new", "none", "none"), 870.0, 4.0),
    _stage("sub", "Both with subwoofer", ("new", "new", "fitted", "none"), 1390.0, 7.0),
    _stage(
        "tuned", "Subwoofer and tuning", ("new", "new", "fitted", "by measurement"), 1620.0, 9.0
    ),
)

# Break points (Hz, dB) of each part's contribution; straight lines over log frequency.
_CABIN = ((20, 11), (40, 8), (63, 5), (100, 2.5), (160, 0.5), (250, -1), (1000, 0), (20000, -3))
_STOCK_SOURCE = ((20, -4), (40, -2.5), (63, -1), (100, 0.5), (200, 0), (4000, 0), (20000, -3))
_NEW_SOURCE = ((20, -0.5), (40, 0), (20000, 0))
_STOCK_SPEAKERS = (
    *((20, -30), (40, -19), (63, -9), (80, -4), (100, 0.5), (160, 4), (250, 2), (500, 0)),
    *((1600, -1), (2500, -5), (4000, 2.5), (6300, 1), (10000, -5), (16000, -12), (20000, -17)),
)
_NEW_SPEAKERS = (
    *((20, -26), (40, -14), (63, -4.5), (80, -1), (100, 0.5), (200, 0.5), (1000, 0)),
    *((2000, -1), (4000, 0.5), (6300, 2), (12500, 0), (20000, -3)),
)
_SUBWOOFER = ((20, -12), (31.5, -3), (40, 2), (63, 4), (80, 1), (100, -6), (125, -14), (200, -40))
_TARGET = ((20, 5), (25, 6), (125, 6), (200, 0), (12500, 0), (20000, -4))

#: Share of the way to the target that the invented tuning goes, band by band at most.
_TUNING_SHARE = 0.8


def _curve(points: tuple[tuple[float, float], ...]) -> NDArray[np.float64]:
    f_hz, level_db = np.array(points, dtype=float).T
    return np.asarray(np.interp(np.log(_BANDS_HZ), np.log(f_hz), level_db))


def _power_sum(*levels_db: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(10.0 * np.log10(sum(10.0 ** (level / 10.0) for level in levels_db)))


def _mean_curve(stage: DemoStage) -> NDArray[np.float64]:
    source = _NEW_SOURCE if stage.factors["source"] == "new" else _STOCK_SOURCE
    speakers = _NEW_SPEAKERS if stage.factors["speakers"] == "new" else _STOCK_SPEAKERS
    level = _curve(source) + _curve(speakers)
    if stage.factors["subwoofer"] == "fitted":
        level = _power_sum(level, _curve(source) + _curve(_SUBWOOFER))
    level = level + _curve(_CABIN)
    if stage.factors["tuning"] != "none":
        level = level + _TUNING_SHARE * (_curve(_TARGET) - level)
    return level


def _position_ripple(position: int, stage_id: str) -> NDArray[np.float64]:
    # What a microphone a hand's width away sees: the cabin's comb, the same for every
    # stage, growing above 500 Hz, and a little repeat error of the measurement itself.
    cabin = np.random.default_rng(1000 + position)
    depth = np.interp(np.log(_BANDS_HZ), np.log([60.0, 500.0, 8000.0]), [0.4, 1.0, 1.6])
    repeat = np.random.default_rng([2000 + position, zlib.crc32(stage_id.encode())])
    ripple = depth * cabin.standard_normal(_BANDS_HZ.size)
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
        "# INVENTED DATA for the demonstration; no real vehicle was measured",
        f"# Corvane Estrel hatchback, driver's seat, {POSITIONS[position]}: {stage.label}",
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
# A demonstration study. The shop, the vehicle, the parts, the prices, the measurements
# and the music are invented.
format = 1
title = "Corvane Estrel: what to upgrade first"
target = "car-cabin"
note = "Invented job of the invented shop Saltmarsh Sound Works."
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
    ["as-delivered", "source"],
    ["as-delivered", "speakers"],
    ["speakers", "both"],
    ["both", "sub"],
    ["sub", "tuned"],
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
    "listeners hear source from as-delivered",
    "listeners hear speakers from as-delivered",
    "listeners prefer speakers over source",
    "listeners prefer both over speakers",
    "listeners prefer sub over both",
    "listeners prefer tuned most",
]
"""
