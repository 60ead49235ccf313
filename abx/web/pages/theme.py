"""Look of the Streamlit pages: the same palette, type and spacing as the player.

The design note is at the head of ``abx/web/player/player.css``.
"""

from __future__ import annotations

import streamlit as st

__all__ = ["STREAMLIT_OPTIONS", "apply_theme"]

_FONT = "Seravek, 'Gill Sans Nova', Ubuntu, Calibri, 'DejaVu Sans', sans-serif"

STREAMLIT_OPTIONS: dict[str, object] = {
    "server.headless": True,
    "server.fileWatcherType": "none",
    "browser.gatherUsageStats": False,
    "server.maxUploadSize": 100,
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
[class*="st-key-sheet"] { max-width: 44rem; margin: 0 auto; }
.stApp h1 { font-size: 1.9rem; font-weight: 600; letter-spacing: 0; text-wrap: balance; }
.stApp h2 { font-size: 1.25rem; font-weight: 600; letter-spacing: 0; padding: 0.5rem 0 0; }
[data-testid="stHeaderActionElements"] { display: none; }
button[data-testid^="stBaseButton"] { min-height: 3.25rem; border-width: 2px; }
button[data-testid^="stBaseButton"] p { font-size: 1.15rem; }
button[data-testid^="stBaseButton-primary"] { min-width: 14rem; font-weight: 600; }
[data-testid^="stBaseButton-"]:disabled { border: 2px dashed #7d8c86; background: transparent; }
[data-testid^="stBaseButton-"]:disabled p { color: #4c5b55; }
[data-testid="stRadio"] label, [data-testid="stCheckbox"] label {
  min-height: 2.75rem; align-items: center; padding-block: 0.35rem; }
[data-testid="stRadio"] label p, [data-testid="stCheckbox"] label p,
[data-testid="stTextInput"] label p { font-size: 1.05rem; }
[data-testid="stRadio"] > label p { font-weight: 600; }
button:focus-visible, input:focus-visible { outline: 3px solid #b86e00 !important;
  outline-offset: 3px; }
[data-testid="stCaptionContainer"], [data-testid="stCaptionContainer"] p { color: #4c5b55;
  font-size: 1rem; opacity: 1; }
.stApp code { color: #0a5a63; background: #e3ebe8; font-size: 0.95rem; overflow-wrap: anywhere;
  white-space: pre-wrap; }
.stApp pre code { background: transparent; }
[data-testid="stException"] { padding: 0.75rem 1rem; background: #fbe9e5; color: #14231e;
  border-left: 6px solid #9c2f22; border-radius: 6px; }
[data-testid="stException"] > * { display: none !important; }
[data-testid="stException"]::before { content: "Something went wrong here, and it is not "
  "your fault. Everything that was saved is kept. Please reload the page."; }
a[data-testid^="stBaseLinkButton"] { min-height: 3.25rem; border-width: 2px; }
a[data-testid^="stBaseLinkButton"] p { font-size: 1.15rem; }
[data-testid="stTextArea"] label, [data-testid="stTextArea"] label p { opacity: 1;
  color: inherit !important; }
[data-testid="stMetricLabel"] p { font-size: 1.05rem; }
button[data-testid^="stBaseButton"] { padding-inline: 1.25rem; }
[data-testid="stAlertContainer"] { background: #e3ebe8; color: #14231e; border-radius: 6px;
  border-left: 6px solid #0a5a63; }
[data-testid="stAlertContainer"] p { color: #14231e; }
[data-testid="stAlertContainer"]:has([data-testid="stAlertContentError"]) {
  background: #fbe9e5; border-color: #9c2f22; }
[data-testid="stAlertContainer"]:has([data-testid="stAlertContentWarning"]) {
  background: #f8ecd8; border-color: #b86e00; }
.stApp textarea:disabled, .stApp input:disabled { -webkit-text-fill-color: #4c5b55; opacity: 1; }
.stApp label:has(input:disabled) p, [data-testid="stWidgetLabel"][disabled] p,
[data-testid="stWidgetLabel"] p { color: inherit !important; opacity: 1; }
[data-testid="stElementToolbar"] { display: none !important; }
[data-testid="stPageLink-NavLink"] { min-height: 2.75rem; padding: 0.25rem 0.9rem;
  border-radius: 14px; }
[data-testid="stPageLink-NavLink"] p { font-size: 1.1rem; }
.st-key-way { border-bottom: 2px solid #7d8c86; padding-bottom: 0.5rem; gap: 0.25rem !important; }
[data-testid="stExpander"] summary { min-height: 3rem; }
[data-testid="stExpander"] summary p { font-size: 1.05rem; }
[data-testid="stNumberInputContainer"] { min-height: 2.75rem; }
[data-testid="stNumberInputContainer"] button { min-width: 2.75rem; }
[data-testid="stTextInputRootElement"], [data-testid="stSelectbox"] [data-baseweb="select"] > div,
[data-testid="stMultiSelect"] [data-baseweb="select"] > div { min-height: 2.75rem; }
[data-testid="stWidgetLabel"] p { font-size: 1.05rem; }
[data-testid="stCheckbox"] label p, [data-testid="stRadio"] label p { white-space: normal;
  overflow: visible; }
[data-testid="stCheckbox"] label > div, [data-testid="stCheckbox"] label [data-testid] {
  white-space: normal; overflow: visible; }
.stApp input, .stApp textarea, [data-testid="stSelectbox"] [data-baseweb="select"] {
  font-size: 1.05rem !important; }
[data-testid="stTextAreaRootElement"] textarea { font-family: "DejaVu Sans Mono", monospace;
  font-size: 0.95rem !important; }
[data-testid="stFileUploader"] div:has(> [data-testid="stFileChips"]),
[data-testid="stFileUploader"] [data-testid="stFileChips"] { max-height: none !important; }
[data-testid="stFileChipName"] { font-size: 1rem; }
[data-testid="stFileUploader"] button {
  min-width: 2.75rem; justify-content: center; }
[data-testid="stFileUploaderDropzone"] { border: 2px dashed #7d8c86; min-height: 6rem; }
table.plain { width: 100%; border-collapse: collapse; font-size: 1.05rem;
  font-variant-numeric: tabular-nums; }
table.plain caption { text-align: left; padding: 0 0 0.5rem; }
table.plain th, table.plain td { padding: 0.5rem 0.75rem 0.5rem 0; text-align: left;
  vertical-align: top; border-bottom: 1px solid #7d8c86; font-weight: 400; }
table.plain thead th { font-weight: 600; border-bottom-width: 2px; }
table.plain .number { text-align: right; }
.curve-key { display: flex; flex-wrap: wrap; gap: 0.25rem 1.5rem; list-style: none; margin: 0;
  padding: 0; font-size: 1.05rem; }
.curve-key li { display: flex; align-items: center; gap: 0.6rem; margin: 0; }
.curve-key .swatch { display: inline-block; width: 2.75rem; flex: none; }
@media (prefers-color-scheme: dark) {
  [data-testid="stCaptionContainer"], [data-testid="stCaptionContainer"] p { color: #a9bab2; }
  .stApp code { color: #7fd6d0; background: #1f302c; }
  .stApp pre code { background: transparent; }
  [data-testid="stAlertContainer"] { background: #1f302c; color: #e8f0ec; border-color: #7fd6d0; }
  [data-testid="stAlertContainer"] p { color: #e8f0ec; }
  [data-testid="stException"] { background: #3a211d; color: #e8f0ec; border-color: #ff9d8a; }
  [data-testid="stAlertContainer"]:has([data-testid="stAlertContentError"]) {
    background: #3a211d; border-color: #ff9d8a; }
  [data-testid="stAlertContainer"]:has([data-testid="stAlertContentWarning"]) {
    background: #35290f; border-color: #f2bd4a; }
  .stApp textarea:disabled, .stApp input:disabled { -webkit-text-fill-color: #a9bab2; }
}
@media (prefers-color-scheme: dark) {
  button[data-testid^="stBaseButton-primary"]:enabled p { color: #0b1f1d; }
  [data-testid^="stBaseButton-"]:disabled p { color: #a9bab2; }
  button:focus-visible, input:focus-visible { outline-color: #f2bd4a !important; }
}
@media (max-width: 45rem) {
  [class*="st-key-sheet"] [data-testid="stButton"],
  [class*="st-key-sheet"] button[data-testid^="stBaseButton"] { width: 100%; }
  [class*="st-key-sheet"] [data-testid="stElementContainer"]:has(button[data-testid^="stBase"]) {
    width: 100% !important; }
  [data-testid="stMainBlockContainer"] { padding: 0.75rem 0.75rem 1.5rem; }
  .st-key-way { gap: 0 !important; justify-content: space-between; }
  [data-testid="stPageLink-NavLink"] { padding: 0.25rem 0.4rem; }
  [data-testid="stPageLink-NavLink"] p { font-size: 1rem; }
  table.plain thead { position: absolute; width: 1px; height: 1px; overflow: hidden;
    clip-path: inset(50%); }
  table.plain, table.plain tbody, table.plain tr, table.plain th, table.plain td,
  table.plain caption { display: block; }
  table.plain tr { padding: 0.5rem 0; border-bottom: 2px solid #7d8c86; }
  table.plain th, table.plain td { padding: 0.15rem 0; border: 0; }
  table.plain tbody th { font-weight: 600; }
  table.plain td { display: flex; justify-content: space-between; gap: 1rem; text-align: right; }
  table.plain td::before { content: attr(data-name); text-align: left; opacity: 0.85; }
}
</style>
"""


_NO_HEADER = """
<style>
header[data-testid="stHeader"], [data-testid="stToolbar"],
[data-testid="stDialog"] { display: none !important; }
</style>
"""


def apply_theme() -> None:
    """Add the style sheet to the current page."""
    st.html(_STYLE + _NO_HEADER)
