"""Numbers in words: the one place where amounts, money, shares and counts are rounded to be read.

For terminal, report, papers and messages. Files keep full figures.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

__all__ = ["amount", "counted", "listed", "money", "percent", "share", "whole_parts"]

CENTS_BELOW = 1_000.0
"""Money under this is said with its cents; above it they say nothing a planner could use."""

MOST_SHARE = 10.0
"""A part larger than this many totals is said without a share."""


def amount(value: float) -> str:
    """Return LPA, litres or kilograms in whole units, thousands apart; never ``-0``.

    Examples
    --------
    >>> amount(17771.43), amount(-0.2)
    ('17,771', '0')
    """
    return f"{round(value):,}"


def money(value: float) -> str:
    """Return money in whole units from a thousand on, below it with cents where it has any.

    Examples
    --------
    >>> money(67709.38), money(912.4), money(-0.001), money(150.0)
    ('67,709', '912.40', '0', '150')
    """
    cents = round(value, 2)
    if abs(cents) >= CENTS_BELOW or cents == round(cents):
        return f"{round(value):,}"
    return f"{cents:,.2f}"


def percent(fraction: float) -> str:
    """Return a fraction as a percentage of three figures or less, more only near 0 and 100.

    Examples
    --------
    >>> percent(0.00042), percent(0.01), percent(0.1856), percent(0.9996), percent(1.0)
    ('0.04 %', '1 %', '18.6 %', '99.96 %', '100 %')
    """
    value = 100.0 * fraction
    if value in (0.0, 100.0):
        return f"{value:.0f} %"
    size = abs(value)
    for digits in range(0 if size >= 100.0 else 1 if size >= 10.0 else 2, 7):
        text = f"{value:.{digits}f}"
        if float(text) not in (0.0, 100.0):
            return f"{text.rstrip('0').rstrip('.') if '.' in text else text} %"
    return "nearly 0 %" if size < 1 else "nearly 100 %"


def share(part: float, total: float) -> str:
    """Return a part of a total in percent, ``-`` where that says nothing.

    Of a total that sales make negative, or small beside its parts, a share misleads.

    Examples
    --------
    >>> share(446_926, 2_501_020), share(-64_577, 2_501_020), share(7_680, -78.0)
    ('17.9 %', '-2.6 %', '-')
    """
    return f"{100.0 * part / total:.1f} %" if 0.0 < total >= abs(part) / MOST_SHARE else "-"


def counted(count: int, one: str, many: str = "") -> str:
    """Return a count with its noun, which is the plural unless there is one.

    Examples
    --------
    >>> counted(1, "load"), counted(1200, "load"), counted(2, "entry", "entries")
    ('1 load', '1,200 loads', '2 entries')
    """
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def listed(parts: Sequence[str], most: int = 0, *, last: str = "and") -> str:
    """Return parts joined by commas and ``and``; past ``most`` of them (0: none) the rest counted.

    Parameters
    ----------
    last : the word before the last part: ``or`` between things to choose from.

    Examples
    --------
    >>> listed(["a", "b", "c"], last="or"), listed(["a", "b", "c", "d"], most=2)
    ('a, b or c', 'a, b and 2 more')
    """
    shown, cut = list(parts), bool(most) and len(parts) > most
    if cut:
        shown = [*shown[:most], f"{len(parts) - most} more"]
    joint = f" {'and' if cut else last} "
    return joint.join([", ".join(shown[:-1]), shown[-1]] if len(shown) > 1 else shown)


def whole_parts(parts: Sequence[float]) -> list[int]:
    """Return parts in whole units that add up to their sum in whole units.

    The parts cut off most are rounded up (largest remainders), so each is within one unit.

    Examples
    --------
    >>> whole_parts([1.4, 1.4, 1.4])
    [2, 1, 1]
    """
    down = [math.floor(part) for part in parts]
    up = round(sum(parts)) - sum(down)
    order = sorted(range(len(parts)), key=lambda place: (down[place] - parts[place], place))
    for place in order[:up]:
        down[place] += 1
    return down
