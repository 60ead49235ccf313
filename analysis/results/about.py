"""The study as it was run: what was analysed, what takes long, what it could have shown."""

from __future__ import annotations

import msgspec

from analysis.results.base import Real, ResultBlock

__all__ = [
    "About",
    "ClaimPower",
    "ClaimsPower",
    "ConflictRow",
    "LongBlock",
    "Playback",
    "PowerResult",
]


class Playback(ResultBlock, frozen=True, kw_only=True):
    """What the player counted.

    Attributes
    ----------
    n_counted : int
        Trials whose player counted.
    n_stuttered : int
        Trials with a stutter; they stay in every result.
    n_underruns : int
    """

    n_counted: int
    n_stuttered: int
    n_underruns: int


class About(ResultBlock, frozen=True, kw_only=True):
    """What was analysed, with which software.

    Attributes
    ----------
    n_trials, n_listeners, n_controls : int
        Controls are part of the trials.
    methods : dict of str to int
        Trials by method.
    programmes : tuple of str
    groups, outputs : dict of str to int
        Listeners by group, and by what they listened with, where the table says so.
    simulated : bool
    alpha : float
    seed : int
        Of resampling.
    software : dict of str to str or None
        Versions by name.
    playback : Playback or None
        Left out where no player counted.
    smallest_effect : float or None
        A share: 0.05 for 5 points.
    sealed_plan : bool
        Whether primary metric and claims come from a plan that was sealed before listening.
    notes : tuple of str
        What is odd in the tables and was used all the same.
    made_stages : dict of str to str, or None
        Stages that are experiments, and what each is; left out without a stage table.
    """

    n_trials: int
    n_listeners: int
    n_controls: int
    methods: dict[str, int]
    programmes: tuple[str, ...]
    groups: dict[str, int]
    outputs: dict[str, int]
    simulated: bool
    alpha: float
    seed: int
    software: dict[str, str | None]
    playback: Playback | None = None
    smallest_effect: Real
    sealed_plan: bool
    notes: tuple[str, ...]
    made_stages: dict[str, str] | None = None


class LongBlock(ResultBlock, frozen=True, kw_only=True):
    """A part that takes long on a table of this size, or that was left out.

    Attributes
    ----------
    block : str
        The word that leaves it out, of :data:`analysis.long_blocks.OPTIONAL`.
    what : str
    expected_s : float
        Rough, on one core.
    left_out : bool
    sentence : str
        The same as on the screen.
    """

    block: str
    what: str
    expected_s: Real
    left_out: bool
    sentence: str


class PowerResult(ResultBlock, frozen=True, kw_only=True):
    """Chance to notice a true difference of one size, by the number of listeners.

    Attributes
    ----------
    method, what : str
    share : float or None
        The true share.
    n_trials_each : int
    spread : float or None
        SD between listeners.
    alpha : float or None
    n_listeners : tuple of int
    power : tuple of float
    power_as_run, detectable_share : float or None
    """

    method: str
    share: Real
    n_trials_each: int
    spread: Real
    alpha: Real
    n_listeners: tuple[int, ...]
    power: tuple[Real, ...]
    power_as_run: Real
    what: str
    detectable_share: Real


class ClaimPower(ResultBlock, frozen=True, kw_only=True):
    """Chance of one claim to be supported.

    Attributes
    ----------
    claim : str
    alone, together : float or None
        As the only claim, and in the family.
    alone_error, together_error : float or None
        Half the 95 % interval of the simulation.
    impossible : str or None
        What it would take where no answers could support it.
    """

    claim: str
    alone: Real
    alone_error: Real
    together: Real
    together_error: Real
    impossible: str | None


class ConflictRow(ResultBlock, frozen=True, kw_only=True):
    """Claims that cannot be true together.

    Attributes
    ----------
    claim : str
    against : tuple of str
    """

    claim: str
    against: tuple[str, ...]


class ClaimsPower(ResultBlock, frozen=True, kw_only=True):
    """What the claims as a set could have shown, in simulated studies of this size.

    Attributes
    ----------
    method : str
    n_studies, n_listeners, n_trials : int
    alpha : float or None
    share, share_right, sd_right, sd_taste, correlation, ties : float or None
        What was supposed.
    claims : tuple of ClaimPower
    every, every_error, some, some_error : float or None
        All claims at once, and at least one; ``all``, ``all_error``, ``any``, ``any_error`` in
        JSON.
    conflicts : tuple of ConflictRow
    """

    method: str
    n_studies: int
    n_listeners: int
    n_trials: int
    alpha: Real
    share: Real
    share_right: Real
    sd_right: Real
    sd_taste: Real
    correlation: Real
    ties: Real
    claims: tuple[ClaimPower, ...]
    every: Real = msgspec.field(name="all")
    every_error: Real = msgspec.field(name="all_error")
    some: Real = msgspec.field(name="any")
    some_error: Real = msgspec.field(name="any_error")
    conflicts: tuple[ConflictRow, ...]
