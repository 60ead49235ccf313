"""The booth: the same trials over local loudspeakers or the vehicle's own input.

One stream, all versions of a trial preloaded, switching inside the audio callback, at the
keyboard of the machine in the room. Trials, answers and log are those of the browser: they
go through the same :class:`abx.session.sessions.Sessions`. Under-runs of the sound card are counted
and noted in the log beside the trial they fell into; the trial table carries them on.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import click

from abx.booth.mixer import Mixer, Samples
from abx.booth.player import BoothPlayer, read_blob
from abx.errors import AnswerRefused
from abx.session.sessions import Sessions
from abx.store import Entry

__all__ = ["Console", "TerminalConsole", "run_booth", "set_level"]

FLOOR_DB = -42.0
CAP_DB = 0.0
STEP_DB = 1.5
HEARD_S = 1.0

_PHASES = {"practice": "Practice", "familiarisation": "Set"}

_UP = ("\x1b[A", "\x1bOA", "\xe0H", "+")
_DOWN = ("\x1b[B", "\x1bOB", "\xe0P", "-")
_ENTER = ("\r", "\n")
LEAVE = "\x1b"


class Console(Protocol):
    """Screen and keyboard of the booth."""

    def show(self, text: str) -> None:
        """Show a line."""

    def key(self) -> str:
        """Wait for the next key: a letter, a digit, space, enter or an arrow sequence."""


class TerminalConsole:
    """The terminal of the machine in the booth."""

    def show(self, text: str) -> None:
        """Print a line."""
        click.echo(text)

    def key(self) -> str:
        """Wait for one key, without enter."""
        return click.getchar()


@dataclass(frozen=True, slots=True)
class _Setting:
    device: int | str | None
    gain: float
    latency: str | float


def run_booth(
    sessions: Sessions,
    token: str,
    console: Console,
    *,
    device: int | str | None = None,
    latency: str | float = "low",
) -> bool:
    """Lead one listener through a sitting at the booth.

    Parameters
    ----------
    sessions : Sessions
        The study's service layer.
    token : str
        Token of a sitting; a sitting that was left goes on at the same trial.
    console : Console
        Screen and keyboard.
    device, latency
        As :class:`BoothPlayer`.

    Returns
    -------
    bool
        True when the sitting is finished, False when the listener left.
    """
    versions, rate = _sound(sessions, token, sessions.level(token)["audio"])
    level_db = set_level(versions, rate, console, device=device, latency=latency)
    if level_db is None:
        return False
    setting = _Setting(device, 10 ** (level_db / 20), latency)
    message = sessions.next_trial(token)
    while message["state"] in ("trial", "break"):
        if message["state"] == "break":
            console.show(f"{message['message']} Any key goes on.")
            if console.key() == LEAVE:
                return False
            message = sessions.resume(token)
            continue
        following = _trial(sessions, token, message, console, setting)
        if following is None:
            return False
        message = following
    console.show(message.get("message", "Thank you. That was the last question."))
    return bool(message["state"] == "done")


def _sound(sessions: Sessions, token: str, path: str) -> tuple[list[Samples], int]:
    return read_blob(sessions.audio_blob(token, path.rsplit("/", 1)[-1]))


def set_level(
    versions: Sequence[Samples],
    rate: int,
    console: Console,
    *,
    device: int | str | None = None,
    latency: str | float = "low",
) -> float | None:
    """Let somebody raise the level from very quiet; the cap is never passed.

    Parameters
    ----------
    versions : sequence of ndarray, each (frames, channels)
        What plays meanwhile, the first of them.
    rate : int
        Sample rate in Hz.
    console : Console
        Screen and keyboard.
    device, latency
        As :class:`BoothPlayer`.

    Returns
    -------
    float or None
        Level in dB relative to full scale; None when it was left.
    """
    console.show("Set the level. It begins very quiet. Up and down change it, enter keeps it.")
    console.show("Stop at once if anything hurts or rings.")
    level_db = FLOOR_DB
    with BoothPlayer(
        versions, rate, device=device, gain=10 ** (level_db / 20), latency=latency
    ) as player:
        player.mixer.play()
        while True:
            key = console.key()
            if key in _ENTER:
                return level_db
            if key == LEAVE:
                return None
            step = STEP_DB if key in _UP else -STEP_DB if key in _DOWN else 0.0
            level_db = min(CAP_DB, max(FLOOR_DB, level_db + step))
            player.mixer.gain = 10 ** (level_db / 20)
            console.show(f"Level {level_db - FLOOR_DB:.1f} of {CAP_DB - FLOOR_DB:.0f} dB")


def _trial(
    sessions: Sessions, token: str, message: Mapping[str, Any], console: Console, setting: _Setting
) -> dict[str, Any] | None:
    versions, rate = _sound(sessions, token, message["audio"])
    sheet = _Sheet(message)
    phase = _PHASES.get(message["phase"], "Question")
    console.show(f"{phase} {message['number']} of {message['of']}: {message['question']}")
    if message.get("hint"):
        console.show(str(message["hint"]))
    for line in sheet.help():
        console.show(line)
    with BoothPlayer(
        versions, rate, device=setting.device, gain=setting.gain, latency=setting.latency
    ) as player:
        begun = time.monotonic()
        while True:
            key = console.key()
            if key == LEAVE:
                _note_underruns(sessions, token, player)
                return None
            said = sheet.press(key, player.mixer)
            if key not in _ENTER:
                if said:
                    console.show(said)
                continue
            refusal = sheet.missing(player.mixer)
            if not refusal:
                player.mixer.pause()
                try:
                    return _answer(
                        sessions, token, message, sheet, player, time.monotonic() - begun, console
                    )
                except AnswerRefused as error:
                    refusal = str(error)
            console.show(refusal)


def _answer(
    sessions: Sessions,
    token: str,
    message: Mapping[str, Any],
    sheet: _Sheet,
    player: BoothPlayer,
    seconds: float,
    console: Console,
) -> dict[str, Any]:
    listened = dict(zip(message["versions"], player.mixer.listened_s(), strict=True))
    if _note_underruns(sessions, token, player):
        console.show("The sound stuttered in this question; that is noted with your answer.")
    done = sessions.record_answer(
        token,
        message["trial"],
        sheet.answer(),
        response_s=round(seconds, 3),
        switches=player.mixer.switches,
        listened_s={name: round(heard, 3) for name, heard in listened.items()},
    )
    if done.feedback is not None:
        right = "Right." if done.feedback["correct"] else "Not this time."
        console.show(str(done.feedback.get("message") or right))
    return done.next


def _note_underruns(sessions: Sessions, token: str, player: BoothPlayer) -> int:
    """Put what came late since the last note beside the open trial, before its answer.

    Zero is noted as well: it says that somebody counted. A trial that was left and taken up
    again has a note for each time.
    """
    opened = sessions.open_trial(token)
    if opened is None:  # answered elsewhere, or closed: storing the answer says which
        return 0
    _, trial = opened
    session = sessions.sitting(token).session
    underruns = player.take_underruns()
    body = {"number": trial.number - 1, "trial": trial.number, "underruns": underruns}
    with sessions.store.writing(sessions.study_id) as chain:
        if chain.find("study-closed") is not None:
            return 0
        before = len(chain.rows("playback-note", session=session))
        key = f"playback:{session}:{before + 1}"
        chain.append(Entry("playback-note", key, body, session))
    return underruns


class _Sheet:
    """The answer of one trial while it is being given."""

    def __init__(self, message: Mapping[str, Any]) -> None:
        self.versions: list[str] = list(message["versions"])
        self.labels: dict[str, str] = dict(message["labels"])
        self.must_hear: list[str] = list(message["must_hear"])
        self.choices: list[dict[str, str]] = list(message["answers"])
        self.scale: dict[str, Any] | None = message.get("scale")
        self.rate: list[str] = list(message.get("rate", []))
        self.chosen: str | None = None
        self.numbers: dict[str, float] = {}

    def help(self) -> list[str]:
        keys = ", ".join(f"{self.key_of(name)} {self.labels[name]}" for name in self.versions)
        lines = [f"Hear: {keys}. Space pauses. Esc leaves; you can come back."]
        if self.scale is not None:
            ends = f"{self.scale['low']:g} to {self.scale['high']:g}"
            return [*lines, f"Up and down rate the version you hear, {ends}. Enter confirms."]
        if not self.choices:  # only to be listened to
            return [*lines, "Enter goes on once all have been heard."]
        chosen = ", ".join(f"{i} {one['label']}" for i, one in enumerate(self.choices, start=1))
        return [*lines, f"Answer: {chosen}. Enter confirms."]

    def key_of(self, name: str) -> str:
        return name if len(name) == 1 or name[0] in self.versions else name[0]

    def press(self, key: str, mixer: Mixer) -> str:
        for index, name in enumerate(self.versions):
            if key.lower() == self.key_of(name):
                mixer.select(index)
                mixer.play()
                return f"{self.labels[name]} sounds"
        if key == " ":
            (mixer.pause if mixer.playing else mixer.play)()
            return "Playing" if mixer.playing else "Paused"
        if self.scale is not None and key in (*_UP, *_DOWN):
            return self._rate(1 if key in _UP else -1, self.versions[mixer.current])
        if key.isdecimal() and 1 <= int(key) <= len(self.choices):
            self.chosen = self.choices[int(key) - 1]["value"]
            return f"Chosen: {self.choices[int(key) - 1]['label']}"
        return ""

    def _rate(self, direction: int, name: str) -> str:
        assert self.scale is not None
        if name not in self.rate:
            return f"{self.labels[name]} is not rated."
        low, high, step = self.scale["low"], self.scale["high"], self.scale["step"]
        stride = max(step, (high - low) / 40)
        now = self.numbers.get(name, (low + high) / 2)
        value = round((now + direction * stride) / step) * step
        self.numbers[name] = round(min(high, max(low, value)), 6)
        return f"{self.labels[name]}: {self.numbers[name]:g}"

    def missing(self, mixer: Mixer) -> str:
        heard = dict(zip(self.versions, mixer.listened_s(), strict=True))
        unheard = [self.labels[name] for name in self.must_hear if heard[name] < HEARD_S]
        if unheard:
            return f"Still to hear: {', '.join(unheard)}."
        if self.scale is None:
            chosen = self.chosen is not None or not self.choices
            return "" if chosen else "Choose an answer first."
        unrated = [self.labels[name] for name in self.rate if name not in self.numbers]
        return f"Still to rate: {', '.join(unrated)}." if unrated else ""

    def answer(self) -> str | dict[str, float]:
        return dict(self.numbers) if self.scale is not None else self.chosen or ""
