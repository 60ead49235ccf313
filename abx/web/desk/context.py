"""Which folder the study desk of this process works on."""

from __future__ import annotations

from pathlib import Path

__all__ = ["desk_root", "use_desk_root"]

_root: Path | None = None


def use_desk_root(root: Path) -> None:
    """Set the study folder."""
    global _root
    _root = root


def desk_root() -> Path:
    """Return the study folder.

    Raises
    ------
    RuntimeError
        If the script was started without the desk's server around it.
    """
    if _root is None:
        raise RuntimeError("no study folder: start the desk with 'earwitness desk DIR'")
    return _root
