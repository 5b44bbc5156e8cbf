"""One look for all that is printed: report, sheets, panel papers, lot files, returns.

A page inlines `stylesheet`, so that it needs nothing from outside. On paper the margins of every
sheet say what it is, which page of how many, and the head of the chain it rests on.
"""

from __future__ import annotations

import re
from functools import cache
from importlib.resources import files
from typing import Literal

from markupsafe import Markup

__all__ = ["SHOWN_HASH", "look", "short_head", "stylesheet"]

SHOWN_HASH = 16  # characters of a hash that name it to a reader


def stylesheet(
    what: str,
    chain_head: str = "",
    *,
    turned: Literal["portrait", "landscape"] = "portrait",
    page_words: str = "page {page} of {pages}",
) -> Markup:
    """Return the style of a page that is shown on a screen and printed on A4.

    Parameters
    ----------
    what : the page is, with the load, lot or sitting it is about: above each sheet.
    chain_head : ``number:hash`` of the register it rests on, below each sheet; '' for none.
    page_words : how a page is counted, with ``{page}`` and ``{pages}``.
    """
    before, _, rest = page_words.partition("{page}")
    between, _, after = rest.partition("{pages}")
    counted = f"{_css(before)} counter(page) {_css(between)} counter(pages) {_css(after)}"
    size = "A4" if turned == "portrait" else "A4 landscape"
    boxes = (
        f"@page {{ size: {size};"
        f" @top-left {{ content: {_css(what)}; }}"
        f" @top-right {{ content: {counted}; }}"
        f" @bottom-left {{ content: {_css(_chain(chain_head))}; }} }}\n"
    )
    # Every text in it is quoted as a string of CSS, in which no "<" can stand.
    return Markup(look() + boxes)


@cache
def look() -> str:
    """Return the style alone, for a page that is served."""
    return files("bulkflow.paper").joinpath("paper.css").read_text("utf-8")


def short_head(chain_head: str) -> str:
    """Return the head of a chain as it is shown to a reader: its number and how its hash begins."""
    number, _, digest = chain_head.partition(":")
    return f"{number}:{digest[:SHOWN_HASH]}" if digest else chain_head


def _chain(chain_head: str) -> str:
    return f"chain head {chain_head}" if chain_head else ""


def _css(text: str) -> str:
    """Return a text as a string of CSS that cannot end the string or the style it stands in."""
    plain = re.sub(r"[\x00-\x1f\x7f]", " ", text)
    return '"' + re.sub(r'[\\"<>&]', lambda found: f"\\{ord(found[0]):x} ", plain) + '"'
