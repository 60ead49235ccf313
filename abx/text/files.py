"""Read a text file that somebody wrote, refusing what cannot be one."""

from __future__ import annotations

from pathlib import Path

from abx.errors import InputError

__all__ = ["read_utf8"]


def read_utf8(file: Path, *, kind: str, most_bytes: int, too_large: str, missing: str) -> str:
    """Read a file as UTF-8.

    Parameters
    ----------
    file : Path
    kind : str
        What it is, with its article: ``"a study file"``.
    most_bytes : int
        Largest size.
    too_large, missing : str
        Remedies.

    Raises
    ------
    InputError
        If the file is missing, too large or not UTF-8.
    """
    try:
        size = file.stat().st_size
        if size > most_bytes:
            raise InputError(
                source=file.name,
                problem=f"the file has {size} bytes; {kind} has at most {most_bytes}",
                remedy=too_large,
            )
        data = file.read_bytes()
    except OSError as error:
        raise InputError(
            source=str(file),
            problem=f"the file cannot be read ({error.strerror})",
            remedy=missing,
        ) from error
    try:
        # TOML allows both line ends; a byte-order mark is a habit of some editors.
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(
            source=file.name,
            where=f"line {line}",
            problem=f"byte 0x{data[error.start]:02x} is not UTF-8 text",
            remedy="save the file with UTF-8 encoding",
        ) from error
