"""Look of the Streamlit pages: the same palette, type and spacing as the player.

The design note is at the head of ``abx/player/player.css``.
"""

from __future__ import annotations

__all__ = ["STREAMLIT_OPTIONS", "apply_theme"]

_FONT = "Seravek, 'Gill Sans Nova', Ubuntu, Calibri, 'DejaVu Sans', sans-serif"

STREAMLIT_OPTIONS: dict[str, object] = {
    "server.headless": True,
    "server.fileWatcherType": "none",
    "browser.gatherUsageStats": False,
    "client.toolbarMode": "minimal",
    "client.showErrorDetails": "none",
    "theme.font": _FONT,
    "theme.baseFontSize": 17,
    "theme.baseRadius": "14px",
    "theme.light.primaryColor": "#0a5a63",
    "theme.light.backgroundColor": "#f4f6f3",
    "theme.light.secondaryBackgroundColor": "#ffffff",
    "theme.light.textColor": "#14231e",
    "theme.light.borderColor": "#7d8c86",
    "theme.dark.primaryColor": "#7fd6d0",
    "theme.dark.backgroundColor": "#101917",
    "theme.dark.secondaryBackgroundColor": "#18231f",
    "theme.dark.textColor": "#e8f0ec",
    "theme.dark.borderColor": "#74857d",
}
"""Streamlit configuration the screens rely on (passed by the server)."""

_STYLE = """
<style>
[data-testid="stToolbarActions"], [data-testid="stDecoration"],
[data-testid="stStatusWidget"], #MainMenu, footer { display: none !important; }
[data-testid="stMainBlockContainer"] { padding: 1.25rem 1rem 2rem; max-width: 62rem; }
.st-key-sheet { max-width: 44rem; margin: 0 auto; }
.stApp h1 { font-size: 1.9rem; font-weight: 600; letter-spacing: 0; text-wrap: balance; }
.stApp h2 { font-size: 1.25rem; font-weight: 600; letter-spacing: 0; padding: 0.5rem 0 0; }
[data-testid="stHeaderActionElements"] { display: none; }
button[data-testid^="stBaseButton"] { min-height: 3.25rem; border-width: 2px; }
button[data-testid^="stBaseButton"] p { font-size: 1.15rem; }
button[data-testid^="stBaseButton-primary"] { min-width: 14rem; font-weight: 600; }
[data-testid^="stBaseButton-"]:disabled { border: 2px dashed #7d8c86; background: transparent; }
[data-testid^="stBaseButton-"]:disabled p { color: #4c5b55; }
[data-testid="stRadio"] label, [data-testid="stCheckbox"] label {
  min-height: 2.75rem; align-items: center; }
[data-testid="stRadio"] label p, [data-testid="stCheckbox"] label p,
[data-testid="stTextInput"] label p { font-size: 1.05rem; }
[data-testid="stRadio"] > label p { font-weight: 600; }
button:focus-visible, input:focus-visible { outline: 3px solid #b86e00 !important;
  outline-offset: 3px; }
@media (prefers-color-scheme: dark) {
  button[data-testid^="stBaseButton-primary"]:enabled p { color: #0b1f1d; }
  [data-testid^="stBaseButton-"]:disabled p { color: #a9bab2; }
  button:focus-visible, input:focus-visible { outline-color: #f2bd4a !important; }
}
@media (max-width: 45rem) {
  .st-key-sheet [data-testid="stButton"], .st-key-sheet button[data-testid^="stBaseButton"] {
    width: 100%; }
  [data-testid="stMainBlockContainer"] { padding: 0.75rem 0.75rem 1.5rem; }
}
</style>
"""


_NO_HEADER = """
<style>
header[data-testid="stHeader"], [data-testid="stToolbar"],
[data-testid="stDialog"] { display: none !important; }
</style>
"""


_ROOM_FOR_HEADER = """
<style>
[data-testid="stMainBlockContainer"] { padding-top: 4.5rem !important; }
</style>
"""


def apply_theme(*, navigation: bool = False) -> None:
    """Add the style sheet to the current page.

    Parameters
    ----------
    navigation : bool, optional
        Keep the page's head, for pages that are reached from there.
    """
    import streamlit as st

    st.html(_STYLE + (_ROOM_FOR_HEADER if navigation else _NO_HEADER))
