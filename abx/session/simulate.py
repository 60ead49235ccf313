"""Simulated listeners: a rehearsal of the whole way, always marked as simulated.

They answer through :class:`abx.session.sessions.Sessions` like people. What they perceive is driven
by how far the stages' responses are from the target and from each other; each listener has a
sensitivity, a liking for the first position and a rate of lapses. They say nothing about
people: they exist to rehearse a study and to test the program.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from abx.methods import get_method
from abx.session.sessions import Sessions
from abx.study.model import target_curve
from abx.study.trial import LOWPASS, MID_LOWPASS, stage_of, treatment_of

__all__ = ["Perception", "SimulatedListener", "perception_from_manifest", "run_panel"]

Progress = Callable[[int, int, str], None]

_STEP_DB = 1.5
"""RMS spectral change that an average simulated listener takes as one just-noticeable step."""

_TREATMENT_STEPS = {"": 0.0, LOWPASS: 6.0, MID_LOWPASS: 3.5}
"""How much worse a low-pass copy is, in just-noticeable steps."""


@dataclass(frozen=True)
class Perception:
    """What there is to perceive: quality of each stage and distance of each pair.

    Attributes
    ----------
    quality : mapping of str to float
        Higher is better, in just-noticeable steps of an average listener.
    distance : callable
        Audible distance of two stages in the same steps.
    """

    quality: Mapping[str, float]
    distance: Callable[[str, str], float]

    def quality_of(self, source: str) -> float:
        """Return the quality of a stage or of its low-pass copy."""
        return self.quality[stage_of(source)] - _TREATMENT_STEPS[treatment_of(source)]

    def distance_of(self, one: str, other: str) -> float:
        """Return the distance of two versions."""
        base = self.distance(stage_of(one), stage_of(other))
        treatment = _TREATMENT_STEPS[treatment_of(one)] - _TREATMENT_STEPS[treatment_of(other)]
        return math.hypot(base, treatment)


@dataclass(frozen=True, slots=True)
class SimulatedListener:
    """Traits of one simulated listener.

    Attributes
    ----------
    sensitivity : float
        Factor on every just-noticeable step; 1 is average.
    bias : float
        Liking for the first position, in steps.
    lapse_rate : float
        Share of trials answered without listening.
    """

    sensitivity: float
    bias: float
    lapse_rate: float

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> SimulatedListener:
        """Draw a listener from the panel we imagine."""
        return cls(
            sensitivity=float(rng.lognormal(0.0, 0.35)),
            bias=float(rng.normal(0.1, 0.15)),
            lapse_rate=float(rng.uniform(0.0, 0.06)),
        )


class _Percept:
    """One trial in one listener's head; fulfils :class:`abx.methods.base.Percept`."""

    def __init__(
        self, perception: Perception, listener: SimulatedListener, rng: np.random.Generator
    ) -> None:
        self._perception = perception
        self._listener = listener
        self._rng = rng
        self.lapses = bool(rng.random() < listener.lapse_rate)
        self.position_bias = listener.bias

    def clarity(self, source: str, programme: str) -> float:
        quality = self._listener.sensitivity * self._perception.quality_of(source)
        return quality + float(self._rng.normal(0.0, 1.0))

    def difference(self, one: str, other: str, programme: str) -> float:
        distance = self._listener.sensitivity * self._perception.distance_of(one, other)
        # A real difference and inner noise add as lengths in three dimensions.
        noise = self._rng.normal(0.0, 1.0, size=3)
        return float(math.hypot(distance + noise[0], noise[1], noise[2]))

    def guess(self, answers: Sequence[str]) -> str:
        return str(answers[int(self._rng.integers(len(answers)))])


def perception_from_manifest(sessions: Sessions) -> Perception:
    """Derive what there is to perceive from the rendered stages' band levels.

    Quality is minus the RMS distance of a stage's 1/3-octave levels from the target's, the mean
    taken out; distance is the RMS difference of two stages' levels.
    """
    study = sessions.study
    records = {stage.id: sessions.manifest.stage(stage.id) for stage in study.stages}
    f_hz = sorted(set.intersection(*(set(record.band_hz) for record in records.values())))
    levels = {
        stage: np.array([dict(zip(r.band_hz, r.band_level_db, strict=True))[f] for f in f_hz])
        for stage, r in records.items()
    }
    target = target_curve(study, study.folder or Path())
    wanted = np.asarray(target.level_at(np.array(f_hz)))
    quality = {stage: -_rms(level - wanted) / _STEP_DB for stage, level in levels.items()}
    return Perception(
        quality=quality,
        distance=lambda one, other: _rms(levels[one] - levels[other]) / _STEP_DB,
    )


def _rms(difference_db: np.ndarray) -> float:
    centred = difference_db - difference_db.mean()
    return float(np.sqrt(np.mean(centred**2)))


def run_panel(
    sessions: Sessions,
    *,
    n_listeners: int,
    seed: int,
    perception: Perception | None = None,
    progress: Progress | None = None,
) -> list[str]:
    """Let simulated listeners sit through whole sittings.

    Parameters
    ----------
    sessions : Sessions
        The service layer people use.
    n_listeners : int
        Panel size.
    seed : int
        Seed of the listeners' behaviour (the schedule has its own).
    perception : Perception, optional
        What there is to perceive; derived from the manifest when omitted.
    progress : callable, optional
        Called with listeners done, all listeners, and a word.

    Returns
    -------
    list of str
        Session tokens.
    """
    perceived = perception or perception_from_manifest(sessions)
    tokens = []
    for index in range(n_listeners):
        rng = np.random.default_rng([seed, index])
        tokens.append(_sit(sessions, perceived, rng, group=_group(sessions, index)))
        if progress is not None:
            progress(index + 1, n_listeners, "simulated listeners")
    return tokens


def _group(sessions: Sessions, index: int) -> str:
    """Deal simulated listeners to the study's groups in turn; they answer alike in all."""
    groups = sessions.study.groups
    names = [""] if groups is None else list(groups.answers)
    return names[index % len(names)]


def _sit(
    sessions: Sessions, perception: Perception, rng: np.random.Generator, *, group: str
) -> str:
    listener = SimulatedListener.drawn(rng)
    token = sessions.begin(
        consent=True, hearing="simulated", output="simulated", group=group, simulated=True
    )
    trials = iter(sessions.slot(sessions.sitting(token).slot, simulated=True).trials)
    message = sessions.next_trial(token)
    while message["state"] in ("trial", "break"):
        if message["state"] == "break":
            message = sessions.resume(token)
            continue
        trial = next(trials)
        percept = _Percept(perception, listener, rng)
        answer = get_method(trial.method).simulate(trial, percept)
        seconds = {name: round(float(rng.uniform(2, 9)), 2) for name in trial.version_names}
        message = sessions.record_answer(
            token,
            message["trial"],
            answer,
            response_s=round(sum(seconds.values()) + 1.5, 2),
            switches=int(rng.integers(2, 12)),
            listened_s=seconds,
        ).next
    return token
