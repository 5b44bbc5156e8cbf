"""Small pictures as SVG text: drawn by matplotlib, text kept as text, ids made safe to inline.

Figures are made without any global state of pyplot. What needs no plotting library is written by
`bulkflow.report.drawing`.
"""

from __future__ import annotations

import io
import re
from functools import cache
from typing import Any
from xml.sax.saxutils import escape

import matplotlib as mpl
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextToPath

__all__ = ["INK", "svg_text", "text_inches"]

INK = "#1d2733"
POINTS_PER_INCH = 72.0


@cache
def text_inches(words: str, points: float) -> float:
    """Return how wide a text is at a size, in inches.

    Measured in the widest of the fonts a page may show it in, so that what fits here fits there.
    """
    face = FontProperties(family="DejaVu Sans", size=points)
    width, _, _ = TextToPath().get_text_width_height_descent(words, face, ismath=False)
    return float(width) / POINTS_PER_INCH


def svg_text(figure: Figure, *, name: str, title: str, description: str) -> str:
    """Return a figure as an inline SVG element with a title and a description.

    Parameters
    ----------
    name : unique on the page; ids inside the picture start with it.
    title, description : the text alternative.
    """
    settings: Any = {"svg.fonttype": "none", "svg.hashsalt": name, "font.family": "sans-serif"}
    buffer = io.StringIO()
    with mpl.rc_context(settings):
        FigureCanvasSVG(figure)
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.S)
    text = re.sub(r"<!--.*?-->", "", text, flags=re.S)
    text = _own_ids(text, name)
    head, _, body = text.partition(">")
    head = re.sub(r'\s(width|height)="[^"]*"', "", head)
    label = f"{name}-title {name}-description"
    words = (
        f'<title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-description">{escape(description)}</desc>'
    )
    return f'{head} role="img" aria-labelledby="{label}">{words}{body}'.strip()


def _own_ids(text: str, name: str) -> str:
    """Prefix every id and every reference to one, so that pictures do not meet on a page."""
    text = re.sub(r'id="([^"]+)"', rf'id="{name}-\1"', text)
    text = re.sub(r'xlink:href="#([^"]+)"', rf'xlink:href="#{name}-\1"', text)
    return re.sub(r"url\(#([^)]+)\)", rf"url(#{name}-\1)", text)
