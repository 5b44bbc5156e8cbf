"""Pictures written as SVG by hand: small, sharp at any size, with words on hover and links.

Colours are custom properties of the page with a fixed colour behind them, so that a picture follows
a dark page and still stands alone in a file of its own (`alone`). Hatches are drawn as lines, since
patterns make a printed file very large. Liquids differ by lightness and hatch too: a grey print
reads the same.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

__all__ = [
    "ALARM",
    "FAINT",
    "GROUND",
    "INK",
    "LINE",
    "MARK",
    "SHADES",
    "SOFT",
    "Drawing",
    "Shade",
    "alone",
    "shade_of",
    "shape",
    "square",
    "words_at",
]

INK = "var(--ink, #1d2733)"
SOFT = "var(--soft, #51606f)"
LINE = "var(--line, #d5dade)"
FAINT = "var(--faint, #eef0f2)"
MARK = "var(--mark, #0b4f6c)"
ALARM = "var(--alarm, #b3261e)"
GROUND = "var(--ground, #ffffff)"
HATCH_INK = "#1d2733"  # on the light fills of the shades, in a dark page too


@dataclass(frozen=True, slots=True)
class Shade:
    r"""How one liquid is drawn: a fill, and signs of a hatch: ``/``, ``\``, ``|``, ``-``."""

    fill: str
    hatch: str


# Every one has a hatch of its own, or is plain and far from the other plain one in lightness, so
# that they differ in grey; hues are apart for the common colour blindnesses.
SHADES: tuple[Shade, ...] = (
    Shade("#0b4f6c", ""),
    Shade("#f2c14e", "/"),
    Shade("#c98bab", "\\"),
    Shade("#9ad1d4", "|"),
    Shade("#e08b6d", "-"),
    Shade("#f4f1e8", ""),
    Shade("#9db36c", "/\\"),
    Shade("#c9b1d9", "|-"),
    Shade("#cfb98f", "/|"),
    Shade("#8fb3dc", "\\-"),
)
HATCH_STEP = 4.5


def shade_of(liquids: Sequence[str], liquid: str) -> Shade:
    """Return the shade of a liquid by its place among all liquids of the plan."""
    return SHADES[sorted(liquids).index(liquid) % len(SHADES)]


def shape(tag: str, inside: str = "", **attributes: str | float | None) -> str:
    """Return an element; attributes are named with ``_`` for ``-`` (a last one for none at all)."""
    told = "".join(
        f" {key.rstrip('_').replace('_', '-')}={quoteattr(_figure(value))}"
        for key, value in attributes.items()
        if value is not None
    )
    return f"<{tag}{told}>{inside}</{tag}>" if inside else f"<{tag}{told}/>"


def words_at(x: float, y: float, words: str, **attributes: str | float | None) -> str:
    """Return words at a point, in ink unless said otherwise."""
    return shape("text", escape(words), x=x, y=y, **({"fill": INK} | attributes))


def square(x: float, y: float, width: float, height: float, shade: Shade) -> str:
    """Return a square in a shade, its hatch inside its edge."""
    box = shape("rect", x=x, y=y, width=width, height=height, fill=shade.fill, stroke=INK,
                stroke_width=0.6)  # fmt: skip
    lines = "".join(f"M{_figure(a)} {_figure(b)}L{_figure(c)} {_figure(d)}"
                    for sign in shade.hatch
                    for a, b, c, d in _hatch(sign, x, y, width, height))  # fmt: skip
    return box + (shape("path", d=lines, stroke=HATCH_INK, stroke_width=0.5) if lines else "")


def _hatch(
    sign: str, x: float, y: float, width: float, height: float
) -> Iterator[tuple[float, float, float, float]]:
    right, low = x + width, y + height
    if sign in "|-":
        long = width if sign == "|" else height
        for place in range(1, int(long / HATCH_STEP) + 1):
            at = place * HATCH_STEP - HATCH_STEP / 2
            yield (x + at, y, x + at, low) if sign == "|" else (x, y + at, right, y + at)
        return
    for place in range(1, int((width + height) / HATCH_STEP) + 1):
        reach = place * HATCH_STEP
        # From the left or upper edge along a diagonal to the right or lower one.
        up, across = max(0.0, reach - width), max(0.0, reach - height)
        ends = (min(reach, width), up), (across, min(reach, height))
        (a, b), (c, d) = ends
        if sign == "/":
            yield x + a, y + b, x + c, y + d
        else:
            yield right - a, y + b, right - c, y + d


class Drawing:
    """A picture in the making.

    Parameters
    ----------
    name : unique on the page; ids inside the picture start with it.
    title, description : the text alternative.
    has_links : a picture with links is a group to a reader of the page, not one image.
    """

    def __init__(
        self,
        width: float,
        height: float,
        *,
        name: str,
        title: str,
        description: str,
        has_links: bool = False,
    ) -> None:
        self.width, self.height = width, height
        self._role = "group" if has_links else "img"
        self._name, self._title, self._description = name, title, description
        self._parts: list[str] = []

    def add(self, *parts: str) -> None:
        """Add shapes, later ones over earlier ones."""
        self._parts += parts

    def told(self, words: str, *parts: str, link: str = "", seen: str = "") -> None:
        """Add shapes with words on hover; with a link they lead to that place on the page.

        Parameters
        ----------
        seen : words in the shapes, which the name of a link has to hold.
        """
        inside = f"<title>{escape(words)}</title>{''.join(parts)}"
        if link:
            # Out of the tab order: a table below says the same, and is walked by keys.
            self.add(
                shape(
                    "a",
                    inside,
                    href=f"#{link}",
                    aria_label=f"{seen} {words}".strip(),
                    tabindex="-1",
                )
            )
        else:
            self.add(f"<g>{inside}</g>")

    def text(self) -> str:
        """Return the picture."""
        label = f"{self._name}-title {self._name}-description"
        words = (
            shape("title", escape(self._title), id=f"{self._name}-title")
            + shape("desc", escape(self._description), id=f"{self._name}-description")
        )  # fmt: skip
        box = f"0 0 {_figure(self.width)} {_figure(self.height)}"
        return shape(
            "svg", words + "".join(self._parts), viewBox=box, role=self._role,
            aria_labelledby=label, xmlns="http://www.w3.org/2000/svg",
            font_family="Arial, Liberation Sans, Helvetica, sans-serif",
        )  # fmt: skip


def alone(picture: str) -> str:
    """Return a picture for a file of its own: fixed colours, on white, without links."""
    plain = re.sub(r"var\(--[a-z]+, (#[0-9a-f]{6})\)", r"\1", picture)
    plain = re.sub(r"<a [^>]*>", "<g>", plain).replace("</a>", "</g>")
    head, _, rest = plain.partition(">")
    return f'{head}><rect width="100%" height="100%" fill="#ffffff"/>{rest}'


def _figure(value: str | float) -> str:
    if isinstance(value, str):
        return value
    return f"{round(value, 2):g}"
