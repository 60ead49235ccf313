"""Files that a study names: inside its folder, there, and of a name that every system allows."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping
from pathlib import Path, PurePosixPath
from typing import Any

from abx.errors import InputError
from abx.text.names import path_fault
from abx.text.shell import command_line
from abx.text.toml_reader import show

__all__ = ["StudyFiles"]


class StudyFiles:
    """Paths of the study file: inside the folder, existing, POSIX style."""

    def __init__(self, folder: Path | None, data: Mapping[str, Any]) -> None:
        self.folder = folder
        self.data = data

    def check(self, name: str, fail: Callable[[str, str], InputError]) -> str:
        """Return a file's name in POSIX style.

        Parameters
        ----------
        name : str
            As the study file says it.
        fail : callable
            Makes the error, of problem and remedy, for the place where the name stands.

        Raises
        ------
        InputError
            If it is no name, leads out of the folder, or there is no such file.
        """
        path = PurePosixPath(name.replace("\\", "/"))
        if "\0" in name or not name.strip():
            raise fail(f"{show(name)} is not a file name", "name a file in the study folder")
        if path.is_absolute() or ".." in path.parts or re.match(r"[A-Za-z]:", name):
            raise fail(
                f"'{name}' lies outside the study folder",
                "copy the file into the study folder and name it relative to that folder",
            )
        fault = path_fault(str(path))
        if fault is not None:
            raise fail(*fault)
        if self.folder is not None:
            full = self.folder / path
            if not full.resolve().is_relative_to(self.folder.resolve()):
                raise fail(
                    f"'{name}' is a link that leads outside the study folder",
                    "copy the file itself into the study folder",
                )
            if not full.is_file():
                others = self._others_missing(str(path))
                more = f", and {others} more that the study names are not there" if others else ""
                raise fail(f"there is no file '{name}'{more}", self._nearest(full))
        return str(path)

    def _others_missing(self, name: str) -> int:
        """Count further measured tables and excerpts that are named and not there."""
        named: set[str] = set()
        for table, key in (("stages", "responses"), ("programmes", "file")):
            entries = self.data.get(table)
            for entry in entries if isinstance(entries, list) else ():
                value = entry.get(key) if isinstance(entry, dict) else None
                listed = value if isinstance(value, list) else [value]
                named.update(other for other in listed if isinstance(other, str))
        assert self.folder is not None
        return sum(other != name and not (self.folder / other).is_file() for other in named)

    def _nearest(self, full: Path) -> str:
        try:
            names = [item.name for item in full.parent.iterdir()] if full.parent.is_dir() else []
        except OSError:
            names = []
        near = difflib.get_close_matches(full.name, names, n=1, cutoff=0.6)
        if near:
            return f"did you mean '{near[0]}'?"
        if full.parent.name == "responses":
            made = re.sub(r"-p\d+$", "", full.stem)
            how = f"measure it with '{command_line('measure', full.with_name(made))}'"
            return f"check the name, put the file there, or {how}"
        return "check the name, or put the file there"
