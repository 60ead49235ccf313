"""The player: a Streamlit component that runs a listening session with Web Audio.

The component talks to the server's ``/listen/<token>/...`` routes by itself, so the
Streamlit script is not involved between the first trial and the last. Its source is a
handful of plain ES modules; :func:`component_source` joins them into the single module
that Streamlit hands to the browser, so nothing has to be built or fetched elsewhere.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any

import streamlit as st

from abx.text.tokens import address_part, element_key

__all__ = [
    "MODULES",
    "component_source",
    "component_style",
    "mount_headphone_check",
    "mount_idle_watch",
    "mount_player",
]

MODULES = ("engine", "dial", "client", "answers", "trial", "level", "headphones", "idle", "player")
"""Source files in the order in which each may use the ones before it."""

_HERE = Path(__file__).parent
_IMPORT = re.compile(r"^import \{[^}]*\} from \"\./\w+\.js\";\n", re.MULTILINE)
_EXPORT = re.compile(r"^export (?!default )", re.MULTILINE)


@cache
def component_source() -> str:
    """Return the player as one ES module with a default export.

    The files import each other by name only and share no names at top level, so taking
    the import lines and ``export`` words away joins them without changing their sense.
    """
    parts = [(_HERE / f"{name}.js").read_text(encoding="utf-8") for name in MODULES]
    return _EXPORT.sub("", _IMPORT.sub("", "\n".join(parts)))


@cache
def component_style() -> str:
    """Return the player's style sheet."""
    return (_HERE / "player.css").read_text(encoding="utf-8")


def _component() -> Any:
    return st.components.v2.component(
        "earwitness-player", css=component_style(), js=component_source()
    )


def mount_player(token: str, *, code: str = "", idle_s: float | None = None) -> Any:
    """Show the player of one sitting on the current page.

    The token is its identity: while the page shows the same sitting, the running player, its
    sound and its place in the trial survive reruns of the page.

    Parameters
    ----------
    token : str
        Token of the sitting; the player asks ``/listen/<token>/next`` what to do.
    code : str, optional
        The listener's pseudonym, told at the end to somebody who may come back.
    idle_s : float, optional
        Give the sitting up after this many seconds without a touch or a key (after asking).

    Returns
    -------
    streamlit component result
        ``finished`` is true in the run that follows the last answer, ``left`` in the run
        after the listener went away.
    """
    data = {"base": f"/listen/{address_part(token)}", "code": code, "idle_s": idle_s}
    return _component()(
        key=element_key("player", token),
        data=data,
        on_finished_change=lambda: None,
        on_left_change=lambda: None,
    )


def mount_idle_watch(idle_s: float, token: str) -> Any:
    """Watch for a page that nobody touches any more.

    Parameters
    ----------
    idle_s : float
        Seconds without a touch or a key.
    token : str
        Token of the sitting whose result the page shows.

    Returns
    -------
    streamlit component result
        ``left`` is true in the run after ``idle_s`` seconds without a touch or a key.
    """
    data = {"base": "idle watch", "watch": True, "idle_s": idle_s}
    key = element_key("idle", token)
    return _component()(key=key, data=data, on_left_change=lambda: None)


def mount_headphone_check() -> Any:
    """Show the headphone check by antiphase tones.

    Returns
    -------
    streamlit component result
        ``checked`` is ``{"correct": int, "of": int}`` in the run after the check, else None.
    """
    data = {"base": "headphone check", "check": True}
    return _component()(key="headphone-check", data=data, on_checked_change=lambda: None)
