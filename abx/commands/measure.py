"""``earwitness measure``: from a microphone, or from recordings, to response tables."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from abx.commands._show import detail, heading, progress, say
from abx.errors import AbxError, InputError

if TYPE_CHECKING:
    import numpy as np

    from stimuli.measuring.recording import BandMeasurement
    from stimuli.measuring.take import Take
    from stimuli.response.measured import Response

__all__ = ["command"]

_CAUTION = (
    "The test signal starts quiet. Keep ears away from loudspeakers and headphones, raise the "
    "volume step by step, and stay below what hurts or distorts. Ctrl-C stops the sound at once."
)


_RATE_HZ = 48_000


@dataclass(frozen=True, slots=True, eq=False)
class _Position:
    """What one position gave: its table, its noise in words, an impulse response of a sweep."""

    response: Response
    noise: str
    impulse: np.ndarray | None = None


@click.command("measure")
@click.argument("output", type=click.Path(path_type=Path), required=False)
@click.option("--devices", is_flag=True, help="List sound devices and stop.")
@click.option(
    "--save-signal",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the pink noise to play from elsewhere, as WAV, and stop.",
)
@click.option(
    "--from",
    "recordings",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Use a pink-noise recording instead of playing; repeat for each position.",
)
@click.option("--floor", type=click.Path(path_type=Path), help="Recording of the room's silence.")
@click.option("--positions", type=click.IntRange(1, 50), default=3, show_default=True)
@click.option(
    "--signal",
    "kind",
    type=click.Choice(["noise", "sweep"]),
    default="noise",
    show_default=True,
    help="Pink noise, or an exponential sweep.",
)
@click.option("--seconds", type=click.FloatRange(1, 120), help="Length of the test signal.")
@click.option(
    "--level",
    "level_dbfs",
    type=click.FloatRange(-60, -6),
    default=-30.0,
    show_default=True,
    help="Peak level of the test signal in dBFS.",
)
@click.option(
    "--side",
    type=click.Choice(["left", "right", "both"]),
    default="both",
    show_default=True,
    help="Which side plays, or played while it was recorded.",
)
@click.option("--device", help="Device number or name, or INPUT/OUTPUT; see --devices.")
@click.option("--channel", type=click.IntRange(1, 64), default=1, show_default=True)
@click.option("--microphone", type=click.Path(path_type=Path), help="Correction table.")
@click.option(
    "--resolution",
    "fraction",
    type=click.Choice(["3", "12"]),
    default="3",
    show_default=True,
    help="Bands per octave.",
)
@click.option("--title", default="", help="What was measured; written into the table.")
def command(output: Path | None, devices: bool, **options: Any) -> int:
    """Measure a stage and write one response table a microphone position.

    OUTPUT is the name to begin with: responses/refit becomes responses/refit-p1.csv,
    both-p2.csv ... Existing tables are kept unless the new set is complete. A sweep also
    gives each position's impulse response, both-p1-impulse.wav ...
    """
    if devices:
        _show_devices()
        return 0
    if options["save_signal"]:
        _save_signal(options)
        return 0
    if output is None:
        raise click.UsageError("name the table to write, for example responses/refit")
    if options["recordings"] and options["kind"] == "sweep":
        raise click.UsageError("recordings have to be of pink noise; leave --signal away")
    correction = _correction(options["microphone"])
    if options["recordings"]:
        positions = _from_recordings(options, correction)
    else:
        positions = _from_microphone(options, correction)
    paths = _write(output, positions, _provenance(options))
    for path, position in zip(paths, positions, strict=True):
        response = position.response
        say(f"{path}: {len(response.f_hz)} bands{_valid_words(response)}", always=True)
    return 0


def _save_signal(options: dict[str, Any]) -> None:
    import numpy as np
    import soundfile

    from abx.study.workspace import replace_file
    from stimuli.programme.demo_music import pink_noise

    noise = pink_noise(seconds=options["seconds"] or 30.0, rate=_RATE_HZ)
    silent = {"left": [1.0, 0.0], "right": [0.0, 1.0], "both": [1.0, 1.0]}[options["side"]]
    noise = noise * silent * 10 ** (options["level_dbfs"] / 20) / np.abs(noise).max()
    path: Path = options["save_signal"]
    with replace_file(path) as temporary:
        soundfile.write(str(temporary), noise, _RATE_HZ, format="WAV", subtype="PCM_24")
    say(
        f"{path}: {len(noise) / _RATE_HZ:g} s of pink noise, peak {options['level_dbfs']:g} dBFS, "
        f"side {options['side']}; it repeats without a seam. {_CAUTION}",
        always=True,
    )


def _show_devices() -> None:
    from stimuli.measuring.capture import list_devices

    found = list_devices()
    if not found:
        raise AbxError("No sound device was found. Connect one, or use --from with recordings.")
    for d in found:
        roles = (("input", d.is_default_input), ("output", d.is_default_output))
        used = [word for word, on in roles if on]
        note = f"  (default {' and '.join(used)})" if used else ""
        say(
            f"{d.index:>3}  {d.name}  [{d.host}]  {d.inputs} in, {d.outputs} out, "
            f"{d.rate:g} Hz{note}",
            always=True,
        )


def _correction(path: Path | None) -> Response | None:
    from stimuli.measuring.recording import read_correction

    return None if path is None else read_correction(path)


def _from_recordings(options: dict[str, Any], correction: Response | None) -> list[_Position]:
    from stimuli.measuring.recording import measure_noise_file
    from stimuli.programme.reading import file_sha256

    positions = []
    for path in options["recordings"]:
        measured = measure_noise_file(
            path,
            channel=options["channel"],
            fraction=int(options["fraction"]),
            floor_path=options["floor"],
            correction=correction,
        )
        response = measured.response(source=path.name, sha256=file_sha256(path))
        positions.append(_Position(response, measured.noise_words()))
    return positions


def _from_microphone(options: dict[str, Any], correction: Response | None) -> list[_Position]:
    say(_CAUTION, always=True)
    with _stop_on_interrupt() as abort:
        _level_check(options, abort)
        return [
            _position(number, options, correction, abort)
            for number in range(1, options["positions"] + 1)
        ]


@contextmanager
def _stop_on_interrupt() -> Iterator[threading.Event]:
    """Turn Ctrl-C into a stop of the running sound, then into the usual interrupt."""
    abort = threading.Event()
    earlier = signal.getsignal(signal.SIGINT)

    def stop(_number: int, _frame: object) -> None:
        if abort.is_set():
            raise KeyboardInterrupt
        abort.set()

    signal.signal(signal.SIGINT, stop)
    try:
        yield abort
    finally:
        signal.signal(signal.SIGINT, earlier)


def _level_check(options: dict[str, Any], abort: threading.Event) -> None:
    from stimuli.measuring.capture import START_DBFS, Aborted, check_level

    heading("Level check: two seconds of quiet pink noise")
    level = min(START_DBFS, options["level_dbfs"])
    try:
        take, snr_db = check_level(
            level_dbfs=level,
            device=_device(options["device"]),
            input_channel=options["channel"],
            abort=abort,
        )
    except Aborted:
        raise KeyboardInterrupt from None
    detail(f"played at {level:g} dBFS peak; recorded peak {take.peak_dbfs:.1f} dBFS")
    if any(fault.kind == "clipped" for fault in take.faults):
        _refuse(take)
    detail(f"{snr_db:.0f} dB above the noise floor")


def _position(
    number: int, options: dict[str, Any], correction: Response | None, abort: threading.Event
) -> _Position:
    from stimuli.measuring.capture import Aborted

    heading(f"Position {number} of {options['positions']}")
    if sys.stdin.isatty():
        click.prompt(
            "Place the microphone, keep still, then press Enter",
            default="",
            show_default=False,
        )
    try:
        with progress(f"Playing and recording, position {number}") as report:
            take, measured, impulse = _take(options, correction, abort, report)
    except Aborted:
        raise KeyboardInterrupt from None
    if measured is None:
        _refuse(take)
    response = measured.response(source=f"position {number}")
    return _Position(response, measured.noise_words(), impulse)


def _take(
    options: dict[str, Any], correction: Response | None, abort: threading.Event, report: Any
) -> tuple[Take, BandMeasurement | None, np.ndarray | None]:
    from stimuli.measuring.capture import measure_noise, measure_sweep

    settings: dict[str, Any] = {
        "fraction": int(options["fraction"]),
        "correction": correction,
        "level_dbfs": options["level_dbfs"],
        "drive": options["side"],
        "device": _device(options["device"]),
        "input_channel": options["channel"],
        "abort": abort,
        "progress": lambda done, total: report(int(1000 * done), int(1000 * total), ""),
    }
    if options["seconds"] is not None:
        settings["seconds"] = options["seconds"]
    if options["kind"] == "noise":
        return (*measure_noise(**settings), None)
    return measure_sweep(**settings)


def _refuse(take: Take) -> NoReturn:
    words = "; ".join(fault.words for fault in take.faults)
    raise AbxError(f"This take cannot be used: {words}")


def _device(text: str | None) -> int | str | tuple[int | str, int | str] | None:
    if text is None:
        return None
    parts: list[int | str] = [int(part) if part.isdecimal() else part for part in text.split("/")]
    return parts[0] if len(parts) == 1 else (parts[0], parts[1])


def _provenance(options: dict[str, Any]) -> dict[str, str]:
    from datetime import UTC, datetime

    facts = {"what": options["title"]} if options["title"] else {}
    facts["written"] = f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC by earwitness measure"
    if options["recordings"]:
        facts["signal"] = f"pink noise, from a recording, side {options['side']}"
        if options["floor"]:
            facts["noise floor"] = options["floor"].name
    else:
        kind = "pink noise" if options["kind"] == "noise" else "exponential sweep"
        facts["signal"] = f"{kind}, {options['level_dbfs']:g} dBFS peak, side {options['side']}"
        facts["device"] = f"{options['device'] or 'default'}, channel {options['channel']}"
    if options["microphone"]:
        facts["microphone correction"] = options["microphone"].name
    facts["resolution"] = f"1/{options['fraction']} octave, levels in dB re full scale"
    return facts


def _valid_words(response: Response) -> str:
    band = getattr(response, "valid_hz", None)
    return "" if band is None else f", above the noise from {band[0]:.0f} to {band[1]:.0f} Hz"


def _write(output: Path, positions: Sequence[_Position], facts: dict[str, str]) -> list[Path]:
    import soundfile

    from abx.study.workspace import replace_file
    from stimuli.response.tables import write_response

    stem = output.with_suffix("") if output.suffix == ".csv" else output
    if stem.parent.exists() and not stem.parent.is_dir():
        raise InputError(
            source=str(stem.parent), problem="this is not a folder", remedy="name another place"
        )
    paths = [stem.with_name(f"{stem.name}-p{n + 1}.csv") for n in range(len(positions))]
    for path, position in zip(paths, positions, strict=True):
        response = position.response
        provenance = {**facts, "source": f"{response.source} {response.sha256}".strip()}
        if position.noise:
            provenance["signal to noise"] = position.noise
        with replace_file(path) as temporary:
            write_response(temporary, response, provenance=provenance)
        if position.impulse is not None:
            with replace_file(path.with_name(f"{path.stem}-impulse.wav")) as temporary:
                soundfile.write(str(temporary), position.impulse, _RATE_HZ, subtype="FLOAT")
    return paths
