"""What the screens know about the running study."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from abx.session.sessions import Sessions

__all__ = ["Context", "provide", "provided"]


@dataclass(frozen=True, slots=True)
class Context:
    """The running study, as far as the screens need it.

    Attributes
    ----------
    sessions : Sessions
        The service layer that the HTTP routes use as well.
    title : str
        Title of the study, shown to staff only: it may name what is compared.
    """

    sessions: Sessions
    title: str


_context: Context | None = None


def provide(context: Context) -> None:
    """Set the study the screens of this process show."""
    global _context
    _context = context


def provided() -> Context:
    """Return what :func:`provide` set.

    Raises
    ------
    RuntimeError
        If no study was provided: the script was started without the server around it.
    """
    if _context is None:
        raise RuntimeError("no study is provided: start the screens with 'earwitness serve'")
    return _context
