"""Words that faults are told in: what was found, which known word was meant, lists, figures."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from bulkflow.wording import listed

__all__ = ["DAY_MEND", "MOST_TOLD", "did_you_mean", "figure", "nearest", "shown"]

MOST_TOLD = 12  # words of a list in a fault; the rest is counted
DAY_MEND = "Write a day as year-month-day, such as 2027-01-04."


def shown(value: object) -> str:
    """Say what a value is: ``the text 'abc'``, ``-4``, ``a list``.

    Examples
    --------
    >>> shown("1,5"), shown(None), shown(True)
    ("the text '1,5'", 'empty', "the word 'true'")
    """
    if value is None or value == "":
        return "empty"
    if isinstance(value, bool):
        return f"the word '{str(value).lower()}'"
    if isinstance(value, int) and abs(value) >= 10**15:
        return f"{float(value):g}" if abs(value) < 10**300 else "a number beyond all use"
    if isinstance(value, int | float):
        return figure(value)
    if isinstance(value, str):
        short = value if len(value) <= 40 else value[:37] + "..."
        return f"the text {short!r}"
    if isinstance(value, dict):
        return "a group of keys"
    if isinstance(value, list | tuple):
        return "a list"
    return f"{value}"


def figure(value: float) -> str:
    """Write a number in full, without the digits that reckoning leaves behind.

    Examples
    --------
    >>> figure(0.1 + 0.2), figure(1e12), figure(70000.0)
    ('0.3', '1000000000000', '70000')
    """
    return f"{value:.15g}"


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word most like ``word``, or None where none comes near.

    Examples
    --------
    >>> nearest("Tbilisi-Road", ["tbilisi-road", "sea"]), nearest("air", ["sea"])
    ('tbilisi-road', None)
    """
    choices = list(known)
    folded = {choice.lower(): choice for choice in reversed(choices)}
    close = difflib.get_close_matches(word.lower(), folded, n=1, cutoff=0.6)
    return folded[close[0]] if close else None


def did_you_mean(word: object, known: Iterable[str], otherwise: str | None = None) -> str:
    """Say which known word was perhaps meant; where none comes near, what is known.

    Parameters
    ----------
    word : what was given.
    known : what could have been.
    otherwise : said where none comes near, instead of the list of what is known.

    Examples
    --------
    >>> did_you_mean("sulfury", ["musty", "sulphury"]), did_you_mean("x", ["musty", "sulphury"])
    ('Did you mean sulphury?', 'Known: musty and sulphury.')
    """
    choices = list(known)
    if near := nearest(str(word), choices):
        return f"Did you mean {near}?"
    if otherwise is not None:
        return otherwise
    if not choices:
        return "None is known."
    return f"Known: {listed(choices, most=40)}."
