"""The picture of a plan: listeners against the chance to support each claim."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from matplotlib.figure import Figure

from abx.planning.power import Asked

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from analysis.planning.findings import Findings

__all__ = ["draw_power"]

_STYLES = ("o-", "s--", "^-.", "D:", "v-", "P--", "X-.", "*:")


def draw_power(asked: Asked, found: Findings, path: Path) -> None:
    """Draw the chance to support each claim, and all at once, by number of listeners.

    Parameters
    ----------
    asked : Asked
    found : Findings
        With the panels that were tried.
    path : Path
        Picture to write; the ending decides the format.
    """
    figure = Figure(figsize=(8.0, 5.6), layout="constrained")
    axes = figure.add_subplot()
    for k, text in enumerate(asked.claims):
        _draw_curve(axes, found, k, _STYLES[k % len(_STYLES)], text)
    if asked.declared and len(asked.claims) > 1:
        _draw_curve(axes, found, None, "k-", f"all {len(asked.claims)} claims")
    _finish(axes, asked, found)
    figure.savefig(path)


def _draw_curve(axes: Axes, found: Findings, k: int | None, style: str, label: str) -> None:
    curve = found.curve(k)
    width = 2.5 if k is None else 1.5
    [line] = axes.plot(curve.listeners, curve.smooth(), style, lw=width, ms=4, label=label)
    raw = [chance.share for chance in curve.chances]
    error = [chance.error for chance in curve.chances]
    axes.errorbar(curve.listeners, raw, error, fmt="none", ecolor=line.get_color(), alpha=0.35)


def _finish(axes: Axes, asked: Asked, found: Findings) -> None:
    sizes = found.curve(0).listeners
    axes.axhline(0.8, color="0.5", linewidth=0.8)
    axes.axvline(asked.question.n_listeners, color="0.5", linewidth=0.8, linestyle="--")
    axes.set_xscale("log")
    axes.set_xticks(sizes, [str(n) for n in sizes])
    axes.minorticks_off()
    axes.set_ylim(0, 1.02)
    axes.set_xlabel("Listeners of a new study (dashed: planned)")
    axes.set_ylabel("Chance to support the claim")
    axes.set_title(
        f"Simulated studies, a share of {100 * found.world.sizes.share:.0f} %; bars: error of the "
        "simulation,\nlines: smoothed so that they never fall",
        fontsize="medium",
    )
    axes.legend(loc="best", fontsize="small")
