"""How figures look: colours, lines, lettering, and the one way a figure becomes an SVG."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

MM = 1 / 25.4

INK = "#18212B"
INK_2 = "#4A5561"
EDGE = "#7C857F"
LINE = "#CBD0C8"
NOW = "#2B3C9C"
NOW_WASH = "#E3E7F5"
MIND = "#7A4E00"
SHEET = "#FFFFFF"
#: Models, then conditions; never a fifth: the name stands at each series.
MODEL = "#2F45B0"
CONDITIONS = ("#611A4D", "#B5730A", "#1F8A80", "#2F45B0")

#: Of the page, comes with typst. Figures are laid out with a wider face that matplotlib has, so that nothing runs over.
FACE = "Libertinus Serif"
_MEASURED_WITH = "DejaVu Serif"
TEXT_PT = 8.5
SMALL_PT = 7.5
TINY_PT = 6.8

#: Coordinates stand in tags; the lettering between them is left alone.
_TAG = re.compile(r"<[^>]*>")
_FINER = re.compile(r"(\d\.\d\d)\d+")

_SETTINGS: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "decussa",
    "font.family": _MEASURED_WITH,
    "font.size": TEXT_PT,
    "axes.linewidth": 0.6,
    "axes.edgecolor": EDGE,
    "axes.labelcolor": INK_2,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.facecolor": "none",
    "axes.unicode_minus": True,
    "figure.facecolor": "none",
    "text.color": INK,
    "text.parse_math": False,
    "xtick.color": EDGE,
    "ytick.color": EDGE,
    "xtick.labelcolor": INK_2,
    "ytick.labelcolor": INK_2,
    "xtick.labelsize": SMALL_PT,
    "ytick.labelsize": SMALL_PT,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "hatch.linewidth": 0.45,
    "path.simplify": True,
    "lines.solid_capstyle": "butt",
}


@dataclass(frozen=True, slots=True)
class Drawing:
    """A figure ready for the page: the SVG, what it shows in words, and the caption below it."""

    svg: str
    alt: str
    caption: str


@contextmanager
def drawing_style() -> Iterator[None]:
    """Draw in the look of the report inside this block; nothing changes outside."""
    with mpl.rc_context(_SETTINGS):
        yield


def new_figure(width_mm: float, height_mm: float) -> Figure:
    """Return an empty figure of this size; call inside ``drawing_style``."""
    figure = Figure(figsize=(width_mm * MM, height_mm * MM))
    FigureCanvasSVG(figure)
    return figure


def add_panel(figure: Figure, left_mm: float, bottom_mm: float, width_mm: float, height_mm: float) -> Axes:
    """Return axes placed in mm from the lower left corner."""
    whole_width, whole_height = (float(size) / MM for size in figure.get_size_inches())
    return figure.add_axes(
        (left_mm / whole_width, bottom_mm / whole_height, width_mm / whole_width, height_mm / whole_height)
    )


def to_svg(figure: Figure) -> str:
    """Return the figure as SVG: the same bytes for the same figure, lettering as text, a hundredth of a point exact."""
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    svg = buffer.getvalue().replace(_MEASURED_WITH, FACE)
    return _TAG.sub(lambda tag: _FINER.sub(r"\1", tag.group()), svg)


def write_beside(axes: Axes, text: str, at: tuple[float, float], shift_pt: tuple[float, float], **look: Any) -> None:
    """Write beside a panel: ``at`` is the fraction of its width and a value of its scale, the shift is in points."""
    axes.annotate(
        text, at, shift_pt, axes.get_yaxis_transform(), textcoords="offset points", annotation_clip=False, **look
    )


def hatch(axes: Axes, start: float, end: float) -> None:
    """Hatch a stretch of the time axis: not data."""
    axes.axvspan(start, end, facecolor="none", edgecolor=EDGE, hatch="//////", linewidth=0, zorder=0)


def hide_axes(axes: Axes, *, keep_x: bool = False) -> None:
    """Take away the frame; with ``keep_x`` the time axis stays."""
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    if not keep_x:
        axes.set_xticks([])
        axes.spines["bottom"].set_visible(False)


def round_length(largest: float) -> float:
    """Return the largest of 1, 2, 5 times a power of ten that is not above ``largest``; 0 where there is none."""
    if not 0 < largest < float("inf"):
        return 0.0
    power = 10.0 ** int(f"{largest:e}".partition("e")[2])
    return power * max(step for step in (1.0, 2.0, 5.0) if step * power <= largest * (1 + 1e-9))
