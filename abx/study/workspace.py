"""Where the files of one study lie.

A study is one folder. Everything the tool writes is inside it, so a study can be
copied, archived or handed to a reviewer as a folder. Rehearsals with simulated
listeners live in a folder of their own and can never mix with real answers.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from abx.errors import InputError
from abx.text.shell import command_line

if TYPE_CHECKING:
    from sqlalchemy import URL

__all__ = ["Area", "Workspace", "replace_file", "write_json"]


@dataclass(frozen=True, slots=True)
class Area:
    """Answers and results of one panel: the real one, or a rehearsal.

    Attributes
    ----------
    root : Path
        Folder that holds the database and the results.
    rehearsal : bool
        True where the panel is simulated.
    """

    root: Path
    rehearsal: bool

    @property
    def database(self) -> Path:
        """SQLite file with the append-only log."""
        return self.root / "earwitness.db"

    @property
    def results(self) -> Path:
        """Folder of tables, JSON and reports."""
        return self.root / "results"

    def result(self, name: str) -> Path:
        """Path of one result file, for example ``trials.csv``."""
        return self.results / name

    def database_url(self, url: str | None = None) -> str | URL:
        """SQLAlchemy URL: ``url`` when given, else the SQLite file of this area.

        The file's URL is no text: in a text, ``?`` and ``%`` of a folder's name would lead to
        another file.
        """
        if url:
            return url
        from sqlalchemy import URL

        return URL.create("sqlite", database=str(self.database))


@dataclass(frozen=True, slots=True)
class Workspace:
    """One study folder.

    Attributes
    ----------
    root : Path
        The folder with ``study.toml``.
    partial : bool
        True for evidence that was passed on without its sound: files that the study
        names may be missing, and stimuli cannot be measured again.
    """

    root: Path
    partial: bool = False

    @classmethod
    def open(cls, path: str | Path) -> Workspace:
        """Open an existing study folder (or the folder of a given ``study.toml``).

        Raises
        ------
        InputError
            If there is no ``study.toml``; the message suggests what to run.
        """
        root = Path(path)
        if root.name == "study.toml":
            root = root.parent
        if not root.is_dir():
            new = "" if root.suffix else f", or start a study with '{command_line('new', root)}'"
            raise InputError(
                source=str(root),
                problem="this is a file, not a study folder" if root.exists() else "not found",
                remedy=f"check the name and the folder you are in{new}",
            )
        if not (root / "study.toml").is_file():
            raise InputError(
                source=str(root),
                problem="no study.toml in this folder",
                remedy=f"start a study with '{command_line('new', root)}', "
                "or try the demonstration with 'earwitness demo'",
            )
        return cls(root)

    @property
    def study_file(self) -> Path:
        """The study file."""
        return self.root / "study.toml"

    @property
    def responses(self) -> Path:
        """Folder of measured response tables."""
        return self.root / "responses"

    @property
    def programmes(self) -> Path:
        """Folder of programme excerpts."""
        return self.root / "programmes"

    @property
    def stimuli(self) -> Path:
        """Folder of rendered stimuli with their manifest."""
        return self.root / "stimuli"

    @property
    def stimuli_check(self) -> Path:
        """Figures of the last check of the rendered stimuli."""
        return self.root / "stimuli-check.json"

    @property
    def live(self) -> Area:
        """Answers of real listeners."""
        return Area(self.root, rehearsal=False)

    @property
    def rehearsal(self) -> Area:
        """Answers of simulated listeners."""
        return Area(self.root / "rehearsal", rehearsal=True)

    def area(self, *, rehearsal: bool) -> Area:
        """Return the rehearsal or the live area."""
        return self.rehearsal if rehearsal else self.live

    @contextmanager
    def fresh_rehearsal(self) -> Iterator[Area]:
        """Build a rehearsal beside the old one and swap it in only on success.

        Yields
        ------
        Area
            Empty area to fill. If the block raises, the earlier rehearsal stays.
        """
        building = Path(tempfile.mkdtemp(prefix=".rehearsal-", dir=self.root))
        try:
            yield Area(building, rehearsal=True)
        except BaseException:
            shutil.rmtree(building, ignore_errors=True)
            raise
        building.chmod(0o777 & ~_umask())
        final = self.rehearsal.root
        if final.exists():
            aside = Path(tempfile.mkdtemp(prefix=".rehearsal-old-", dir=self.root))
            final.rename(aside / "rehearsal")
            building.rename(final)
            shutil.rmtree(aside, ignore_errors=True)
        else:
            building.rename(final)


@contextmanager
def replace_file(path: Path) -> Iterator[Path]:
    """Write a file completely or not at all.

    Parameters
    ----------
    path : Path
        Final place; its folder is made when missing.

    Yields
    ------
    Path
        Temporary file in the same folder; moved over ``path`` on success, removed
        when the block raises, so that an earlier result is never half overwritten.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.stem}-", suffix=path.suffix, dir=path.parent)
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        temporary.chmod(0o666 & ~_umask())
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)


def _umask() -> int:
    current = os.umask(0o022)
    os.umask(current)
    return current


def write_json(path: Path, data: dict[str, Any]) -> None:
    """Write JSON at full precision; NaN is refused because JSON has none."""
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False)
    with replace_file(path) as temporary:
        temporary.write_text(text + "\n", encoding="utf-8")
