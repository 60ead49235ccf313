"""What ids, labels and files may be called, so that nothing made of a name can break.

An id stands in claims, tables, addresses and commands; a label on pages, axes and paper; a file's
name in archives and on other systems. Each rule has its one home here.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from pathlib import PurePosixPath

from analysis.tables.missing_words import AS_PROGRAMS_SPELL

__all__ = ["PASSABLE", "id_fault", "identifiers", "path_fault", "unprintable"]

_ID = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
_CLAIMED = "among"
_MADE_HERE = "pink-noise"

PASSABLE = re.compile(r"(?!/)(?!.*(^|/)\.\.(/|$))[^\x00-\x1f\\:]{1,300}")
"""Names that a file of a bundle may have: below the folder that it is unpacked into, anywhere."""

# Control characters are illegal in XML and HTML; the line ends of Unicode would end a line where
# no editor shows one; the bidirectional overrides make one text read as another.
_UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]"
)

_OWN_FOLDERS = ("stimuli/", "results/", "rehearsal/")
_OWN_FILES = (
    *("study.toml", "stimuli-check.json", "earwitness.db"),
    *("bundle.json", "schedule.json", "log.jsonl"),
)


def id_fault(text: str) -> tuple[str, str] | None:
    """Say what is wrong with an id of a stage, a programme or a group, and the remedy.

    A hyphen in front would be an option to a command and a formula to a spreadsheet.

    Examples
    --------
    >>> id_fault("new-ceiling") is None
    True
    >>> id_fault("-6")[0]
    "'-6' is not an id"
    """
    if not _ID.fullmatch(text):
        shown = text if len(text) <= 60 else text[:57] + "..."
        return (
            f"'{shown}' is not an id",
            "use 1 to 40 lower-case letters a-z, digits and hyphens, a letter or a digit first",
        )
    if text in (_CLAIMED, _MADE_HERE):
        where = "claims" if text == _CLAIMED else "the check of every set of sounds"
        return f"the id '{text}' is a word of {where}", "choose another id"
    if text in AS_PROGRAMS_SPELL:
        return f"the id '{text}' is what programs write for a missing value", "choose another id"
    return None


def identifiers(
    words: Sequence[str], *, taken: Iterable[str] = (), otherwise: str = "stage"
) -> list[str]:
    """Make an id from each text, each one once: small letters, digits and hyphens.

    Parameters
    ----------
    words : sequence of str
        Labels or file names, in any script.
    taken : iterable of str, optional
        Ids that are there already.
    otherwise : str, optional
        For a text without a letter or a digit that an id can hold.

    Examples
    --------
    >>> identifiers(["New ceiling (front)", "Größer", "A+", "A-"])
    ['new-ceiling-front', 'groer', 'a', 'a-2']
    """
    used, found = {*taken, _CLAIMED, _MADE_HERE, *AS_PROGRAMS_SPELL}, []
    for text in words:
        plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
        stem = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:40].strip("-") or otherwise
        name, number = stem, 2
        while name in used:
            name = f"{stem[:36].rstrip('-')}-{number}"
            number += 1
        used.add(name)
        found.append(name)
    return found


def unprintable(text: str) -> bool:
    """Tell whether a text holds control characters or marks that turn its direction over."""
    return _UNPRINTABLE.search(text) is not None


def path_fault(name: str) -> tuple[str, str] | None:
    """Say what is wrong with the name of a file of a study, relative to its folder.

    Such a file goes into the bundle, which is unpacked on any system, and must lie where the
    program itself writes nothing.

    Parameters
    ----------
    name : str
        Path with ``/``.
    """
    if unprintable(name) or "\n" in name or "\t" in name:
        return f"{name!r} holds control characters", "give the file a name without them"
    if ":" in name:
        return (
            f"'{name}' holds a colon, which not every system allows in a file's name",
            "rename the file",
        )
    path = PurePosixPath(name)
    if len(name) > 300 or any(len(part.encode()) > 255 for part in path.parts):
        return f"the name '{name[:40]}...' is too long", "give the file a shorter name"
    whole = str(path).casefold()
    if whole in _OWN_FILES or whole.startswith(_OWN_FOLDERS):
        return (
            f"'{name}' lies where the program writes its own files",
            "put the file into another folder, for example responses or programmes",
        )
    return None
