"""Matplotlib figures as SVG that can stand inside a page.

Text stays text, nothing depends on the clock, colours become CSS variables (so that one
drawing serves light, dark and print), and every id carries the name of its figure, since
several drawings share one document.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
from markupsafe import Markup, escape
from matplotlib.figure import Figure

__all__ = ["COLOURS", "Colour", "drawing", "inline_svg"]


class Colour:
    """Colours by role; each hex value is replaced by its CSS variable in the page.

    The four series keep apart under the common colour-vision deficiencies and step in lightness,
    so that a grey print keeps them apart as well; the tests measure both, in light and dark.
    """

    INK = "#1d2228"
    SOFT = "#c4cad1"
    MUTED = "#59626c"
    A = "#1557a0"
    B = "#d9730d"
    C = "#15835e"
    D = "#3d1152"
    BAND = "#eaeff4"
    RIBBON = "#a9c7e2"
    MARK = "#8d2b2b"
    PAPER = "#fefefe"


COLOURS: dict[str, str] = {
    Colour.INK: "--f-ink",
    Colour.SOFT: "--f-soft",
    Colour.MUTED: "--f-muted",
    Colour.A: "--f-a",
    Colour.B: "--f-b",
    Colour.C: "--f-c",
    Colour.D: "--f-d",
    Colour.BAND: "--f-band",
    Colour.RIBBON: "--f-ribbon",
    Colour.MARK: "--f-mark",
    Colour.PAPER: "--paper",
}

_SETTINGS: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "earwitness",
    "text.parse_math": False,
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 10.5,
    "axes.edgecolor": Colour.MUTED,
    "axes.labelcolor": Colour.INK,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "xtick.color": Colour.MUTED,
    "ytick.color": Colour.MUTED,
    "xtick.labelcolor": Colour.INK,
    "ytick.labelcolor": Colour.INK,
    "text.color": Colour.INK,
    "grid.color": Colour.SOFT,
    "grid.linewidth": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 9.5,
    "figure.facecolor": "none",
    "axes.facecolor": "none",
    "savefig.facecolor": "none",
    "savefig.edgecolor": "none",
}


@contextmanager
def drawing() -> Iterator[None]:
    """Draw with the report's settings, whatever the caller's matplotlib configuration."""
    with mpl.rc_context(), warnings.catch_warnings():
        mpl.rcdefaults()
        mpl.rcParams.update(_SETTINGS)
        # The text stays text in the SVG and the reader's fonts draw it; a glyph missing from
        # the font used for measuring is no fault.
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from")
        yield


def inline_svg(figure: Figure, *, key: str, alt: str, mark: str | None = None) -> Markup:
    """Return a figure as an SVG element for an HTML page.

    Parameters
    ----------
    figure : Figure
        Drawn within :func:`drawing`.
    key : str
        Name of the figure in the page; prefixes every id.
    alt : str
        What a reader who does not see the figure should know.
    mark : str, optional
        Words above the figure.

    Returns
    -------
    Markup
        The element; its width follows the page.
    """
    if mark:
        # A band of its own above the plot, where it crosses nothing that has to be read.
        figure.suptitle(mark, x=0.99, ha="right", fontsize=9, fontweight="bold", color=Colour.MARK)
    _settle(figure)
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    body = buffer.getvalue()
    return Markup(_for_page(body[body.index("<svg") :], key, alt))


def _settle(figure: Figure) -> None:
    """Lay the figure out once; saving would otherwise draw all of it an extra time."""
    engine = figure.get_layout_engine()
    if engine is not None:
        engine.execute(figure)
        # "none" would leave a placeholder, with which matplotlib lays out once more on saving.
        figure.set_layout_engine(None)


def _for_page(svg: str, key: str, alt: str) -> str:
    box = re.search(r'viewBox="([^"]+)"', svg)
    start = svg.index(">") + 1
    body = svg[start:]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.S)
    body = re.sub(r"<style\b.*?</style>", "", body, flags=re.S)
    body = re.sub(r"<!--.*?-->", "", body, flags=re.S)
    body = re.sub(r"<defs>\s*</defs>", "", body)
    body = body.replace("xlink:href=", "href=")
    body = re.sub(r'\bid="', f'id="{key}-', body)
    body = re.sub(r'href="#', f'href="#{key}-', body)
    body = body.replace("url(#", f"url(#{key}-")
    body = re.sub(r"'DejaVu Sans'[^;\"]*", "var(--font)", body)
    body = body.replace("stroke: #000000; stroke-opacity: 0", "stroke: none")
    for hex_value, variable in COLOURS.items():
        body = body.replace(hex_value, f"var({variable})")
    view = box.group(1) if box else "0 0 400 300"
    return f'<svg class="figure" viewBox="{view}" role="img" aria-label="{escape(alt)}">' + re.sub(
        r"\n\s*", "\n", body
    )
