"""The screens: a listener's way through a session, and the staff page.

``main.py`` is the Streamlit script. :func:`provide` hands it the running study before
the server starts; :data:`STREAMLIT_OPTIONS` is the configuration the screens rely on.
"""

from __future__ import annotations

from abx.web.pages.context import Context, provide, provided
from abx.web.pages.theme import STREAMLIT_OPTIONS

__all__ = ["SCRIPT", "STREAMLIT_OPTIONS", "Context", "provide", "provided"]

from pathlib import Path

SCRIPT = Path(__file__).with_name("main.py")
"""Script for ``streamlit.App``."""
