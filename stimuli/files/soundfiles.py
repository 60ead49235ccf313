"""Reading a short sound file whole, and saying what is wrong with one that cannot be read."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from stimuli.files.errors import InputError

__all__ = ["explained", "read_sound"]

Floats = NDArray[np.float64]

_BLOCK = 1 << 16
_MOST_CHANNELS = 64


def read_sound(path: Path, *, what: str, longest_s: float = 900.0) -> tuple[Floats, int]:
    """Read a sound file.

    Memory is taken for the samples that are there, not for those that a damaged header claims.

    Parameters
    ----------
    path : Path
        The file.
    what : str
        What it is, for the words of an error: "recording", "impulse response".
    longest_s : float
        Longest duration that makes sense, in seconds.

    Returns
    -------
    x : ndarray, shape (frames, channels)
        Samples; full scale is 1.
    rate : int
        Sample rate in Hz.

    Raises
    ------
    InputError
        If it is missing, cannot be read, or is longer or has more channels than makes sense.
    """
    if not path.is_file():
        raise InputError(
            source=str(path), problem=f"the {what} does not exist", remedy="Check name and folder"
        )
    with (
        explained(path.name, f"the {what} cannot be read", "Export it again as WAV or FLAC"),
        soundfile.SoundFile(str(path)) as file,
    ):
        _check_size(file, path.name, what, longest_s)
        blocks = list(file.blocks(_BLOCK, dtype="float64", always_2d=True))
        rate = int(file.samplerate)
        nothing = np.zeros((0, file.channels))
    return np.concatenate([nothing, *blocks]), rate


@contextmanager
def explained(source: str, problem: str, remedy: str) -> Iterator[None]:
    """Say of a file that libsndfile refuses in the block what is wrong and what to do.

    Parameters
    ----------
    source : str
        Name of the file.
    problem, remedy : str
        As for :class:`stimuli.files.errors.InputError`; libsndfile's own words follow the problem.

    Raises
    ------
    InputError
        Instead of libsndfile's error.
    """
    try:
        yield
    except soundfile.LibsndfileError as error:
        raise InputError(
            source=source,
            problem=f"{problem} ({error.error_string.rstrip('.')})",
            remedy=remedy,
        ) from error


def _check_size(file: soundfile.SoundFile, source: str, what: str, longest_s: float) -> None:
    if file.frames > longest_s * file.samplerate:
        raise InputError(
            source=source,
            problem=f"the {what} says it is {file.frames / file.samplerate:,.0f} s long",
            remedy=f"Cut it to at most {longest_s:.0f} s, or export it again if that is not true",
        )
    if file.channels > _MOST_CHANNELS:
        raise InputError(
            source=source,
            problem=f"the {what} says it has {file.channels} channels",
            remedy="Export it again with the microphone's channels only",
        )
