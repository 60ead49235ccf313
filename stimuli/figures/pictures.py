"""Pictures of responses: stages against the target, and regions as a heat table.

Matplotlib is imported only here and only when a picture is drawn, without any global state.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from stimuli.figures.deviation import REGIONS, Deviation
from stimuli.response.measured import StageResponse
from stimuli.response.target import Target

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.text import Text

__all__ = ["as_written", "draw_region_table", "draw_responses", "save_picture"]

# Distinct in hue and in lightness, readable in print and with colour-vision deficiency
# (Okabe and Ito's palette, from memory).
_COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#e69f00", "#56b4e9", "#5b5b5b")
_STYLES = ("-", "--", "-.", ":")
_TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)


def _figure(width: float, height: float) -> Figure:
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), layout="constrained")


def draw_responses(
    stages: Mapping[str, StageResponse],
    target: Target,
    *,
    align_hz: tuple[float, float] = (200.0, 5000.0),
) -> Figure:
    """Draw stages against the target, aligned over a band.

    Parameters
    ----------
    stages : mapping of label to StageResponse
        In drawing order.
    target : Target
        Drawn as a broad grey line.
    align_hz : tuple of float
        Band over which each stage's mean distance from the target is made zero.

    Returns
    -------
    Figure
        Lines inside the valid band, spread over positions shaded, the band outside greyed.
    """
    figure = _figure(9.0, 4.8)
    axes = figure.subplots()
    grid = np.geomspace(20, 20000, 400)
    axes.plot(grid, target.level_at(grid), color="#999999", lw=5, alpha=0.5, label=target.name)
    edges = []
    for i, (label, stage) in enumerate(stages.items()):
        bands = stage.bands()
        level = stage.band_level_db(bands) - target.level_at(bands.mid_hz)
        inside = (bands.mid_hz > align_hz[0] / 1.03) & (bands.mid_hz < align_hz[1] * 1.03)
        curve = stage.band_level_db(bands) - level[inside].mean()
        spread = stage.band_spread_db(bands)
        colour = _COLOURS[i % len(_COLOURS)]
        style = _STYLES[i // len(_COLOURS) % len(_STYLES)]
        axes.plot(bands.mid_hz, curve, style, color=colour, lw=1.8, label=_kept(label))
        if spread.any():
            axes.fill_between(
                bands.mid_hz, curve - spread, curve + spread, color=colour, alpha=0.15, lw=0
            )
        edges.append((bands.low_hz[0], bands.high_hz[-1]))
    _shade_outside(axes, max(low for low, _ in edges), min(high for _, high in edges))
    _log_axis(axes)
    axes.set_ylabel("level re alignment (dB)")
    legend = axes.legend(loc="lower center", fontsize=8, ncols=2)
    as_written(legend.get_texts())
    return figure


def as_written(texts: Iterable[Text]) -> None:
    """Draw texts that people gave as they stand: a price is no formula."""
    for text in texts:
        text.set_parse_math(False)


def _kept(label: str) -> str:
    # Matplotlib leaves labels that begin with an underline out of the legend.
    return f"\u200b{label}" if label.startswith("_") else label


def _shade_outside(axes: Axes, low_hz: float, high_hz: float) -> None:
    for start, stop in ((16.0, low_hz), (high_hz, 25000.0)):
        if stop > start:
            axes.axvspan(start, stop, color="#000000", alpha=0.06, lw=0)


def _log_axis(axes: Axes) -> None:
    axes.set_xscale("log")
    axes.set_xlim(17, 23000)
    axes.set_xticks(_TICKS_HZ, [f"{f // 1000}k" if f >= 1000 else f"{f}" for f in _TICKS_HZ])
    axes.minorticks_off()
    axes.set_xlabel("frequency (Hz)")
    axes.grid(True, alpha=0.25)


def draw_region_table(deviations: Mapping[str, Deviation], *, full_scale_db: float = 8.0) -> Figure:
    """Draw mean deviations as a table of stages by regions, coloured by sign and size.

    Parameters
    ----------
    deviations : mapping of label to Deviation
        One row each.
    full_scale_db : float
        Deviation at which the colour is deepest.

    Returns
    -------
    Figure
        Every cell also carries its figure; empty cells were not measured.
    """
    names = list(REGIONS)
    rows = [[d.regions[name] for name in names] for d in deviations.values()]
    values = np.array([[np.nan if v is None else v for v in row] for row in rows], dtype=float)
    figure = _figure(8.0, 1.2 + 0.42 * len(rows))
    axes = figure.subplots()
    image = axes.imshow(
        values, cmap="PuOr_r", vmin=-full_scale_db, vmax=full_scale_db, aspect="auto"
    )
    for (i, j), value in np.ndenumerate(values):
        if np.isfinite(value):
            deep = abs(value) > 0.65 * full_scale_db
            axes.text(j, i, f"{round(value, 1) + 0.0:+.1f}", ha="center", va="center", fontsize=9,
                      color="white" if deep else "black")  # fmt: skip
    low_high = [f"{name}\n{_short(low)}-{_short(high)}" for name, (low, high) in REGIONS.items()]
    axes.set_xticks(range(len(names)), low_high, fontsize=8)
    axes.set_yticks(range(len(rows)), list(deviations), fontsize=9)
    as_written(axes.get_yticklabels())
    figure.colorbar(image, ax=axes, label="dB from target")
    return figure


def _short(f_hz: float) -> str:
    return f"{f_hz / 1000:.2g}k" if f_hz >= 1000 else f"{f_hz:.0f}"


def save_picture(figure: Figure, path: str | Path, *, dpi: int = 150) -> Path:
    """Write a picture; the file name's ending (svg, png, pdf) chooses the format.

    The same figure gives the same bytes: no date is written.
    """
    path = Path(path)
    metadata: dict[str, Any] = {"Date": None} if path.suffix == ".svg" else {}
    figure.savefig(path, dpi=dpi, metadata=metadata)
    return path


def legend_labels(figure: Figure) -> Sequence[str]:
    """Labels in the legend of a figure's first axes."""
    legend = figure.axes[0].get_legend()
    return [] if legend is None else [text.get_text() for text in legend.get_texts()]
