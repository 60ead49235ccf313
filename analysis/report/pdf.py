"""A PDF of a finished page, printed by a Chromium-family browser where there is one."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from stimuli.files.errors import InputError

__all__ = ["find_browser", "write_pdf"]

_BROWSERS = (
    "chromium",
    "chromium-browser",
    "chromium-headless-shell",
    "chrome",
    "google-chrome",
    "google-chrome-stable",
    "msedge",
    "microsoft-edge",
)
_FLAGS = (
    "--headless",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-pdf-header-footer",
)

_PAPERS = {
    name: f"<style>@page {{ size: {size}; }} @page card {{ size: {size}; }}</style>"
    for name, size in (("a4", "A4"), ("letter", "letter"))
}


def find_browser() -> str | None:
    """Return the first Chromium-family browser on the path, or None."""
    return next((found for name in _BROWSERS if (found := shutil.which(name))), None)


def write_pdf(
    html_path: str | os.PathLike[str],
    pdf_path: str | os.PathLike[str],
    *,
    paper: str = "a4",
    browser: str | None = None,
    timeout_s: float = 60.0,
) -> Path:
    """Print a page to PDF.

    Parameters
    ----------
    html_path, pdf_path : path-like
        The page, and the file to write; an earlier one is replaced only when the new one is
        complete.
    paper : str
        ``a4`` or ``letter``.
    browser : str, optional
        Program to use; searched on the path when not given.
    timeout_s : float
        How long the browser may take, in seconds.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        If there is no browser, no page, no such paper, or the browser writes no PDF; says what to
        do instead.
    """
    if paper not in _PAPERS:
        raise InputError(
            where="paper",
            problem=f"{paper!r} is not a paper size",
            remedy=f"Choose one of {', '.join(_PAPERS)}",
        )
    page, out = Path(html_path).resolve(), Path(pdf_path)
    if not page.is_file():
        raise InputError(source=str(html_path), problem="no such page", remedy="Build it first")
    program = browser or find_browser()
    if program is None:
        raise InputError(
            source=str(pdf_path),
            problem="no Chromium-family browser was found to print the PDF",
            remedy=f"Install Chromium, or open {Path(html_path).name} in any browser and print it "
            "to PDF",
        )
    out.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="report-pdf-") as folder:
        sized, made = Path(folder) / page.name, Path(folder) / "page.pdf"
        text = page.read_text(encoding="utf-8")
        # On paper nothing can be unfolded.
        text = text.replace("<details>", "<details open>")
        sized.write_text(text.replace("</head>", _PAPERS[paper] + "</head>", 1), encoding="utf-8")
        _print(program, sized, made, timeout_s=timeout_s)
        staged = out.with_name(f".{out.name}.part")
        shutil.copyfile(made, staged)
        os.replace(staged, out)
    return out


def _print(program: str, page: Path, made: Path, *, timeout_s: float) -> None:
    # Chromium refuses to start as root unless its sandbox is off; the page runs no script and
    # loads nothing.
    sandbox = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    command = [
        program,
        *_FLAGS,
        *sandbox,
        f"--user-data-dir={made.with_name('profile')}",
        f"--print-to-pdf={made}",
        page.as_uri(),
    ]
    try:
        done = subprocess.run(command, capture_output=True, timeout=timeout_s, check=False)
        problem = f"{Path(program).name} stopped with code {done.returncode}"
    except subprocess.TimeoutExpired:
        problem = f"{Path(program).name} took longer than {timeout_s:g} s"
    except OSError as error:
        problem = f"{program} could not be started ({error.strerror})"
    if not made.is_file() or not made.read_bytes().startswith(b"%PDF-"):
        raise InputError(
            source=page.name,
            problem=f"{problem} and wrote no PDF",
            remedy="Open the page in a browser and print it to PDF",
        )
