"""Why a load cannot be filled from released lots, in words, and from which day it could be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal

from bulkflow.loads.allocating import Allocation, Ask, Source, Standing, fits
from bulkflow.loads.sources import Supplies

__all__ = ["Shortfall", "shortfall_of"]


@dataclass(frozen=True, slots=True)
class Shortfall:
    """Why a load is held, and the first day on which it could be filled; None: not known."""

    reason: str
    earliest: date | None


def shortfall_of(asks: Sequence[Ask], found: Allocation, supplies: Supplies) -> Shortfall | None:
    """Return why a load is held, or None where nothing holds it.

    Parameters
    ----------
    asks : of one load.
    """
    if asks[0].load not in found.unfilled:
        return _in_doubt(asks, found, supplies)
    words, days = [], []
    for ask in asks:
        free = _free(ask, found, supplies.sources)
        day = ask.loading if free >= ask.lpa else _earliest(ask, found, supplies.sources)
        days.append(day)
        if free < ask.lpa:
            words.append(_lacking(ask, free, supplies))
    known = [day for day in days if day is not None]
    earliest = max(known) if len(known) == len(days) else None
    words = words or ["its liquids can be had singly, but not together, beside the other loads"]
    return Shortfall("; ".join(words), earliest)


def _in_doubt(asks: Sequence[Ask], found: Allocation, supplies: Supplies) -> Shortfall | None:
    """Return the lots awaiting a decision that a filled load counts on."""
    names = {name for ask in asks for name in found.filled.get(ask.key, {})}
    waiting = [
        one
        for one in supplies.sources
        if one.name in names and one.standing is Standing.AWAITING and one.ready is not None
    ]
    if not waiting:
        return None
    words = "; ".join(
        f"counts on {one.name}, which is not released: {supplies.reasons[one.name]}"
        for one in waiting
    )
    return Shortfall(words, max(one.ready for one in waiting if one.ready is not None))


def _free(ask: Ask, found: Allocation, sources: Sequence[Source]) -> Decimal:
    return sum((found.left[one.name] for one in sources if fits(one, ask)), Decimal(0))


def _earliest(ask: Ask, found: Allocation, sources: Sequence[Source]) -> date | None:
    """Return the first day by which enough is ready that no load draws on."""
    days = sorted(
        {one.ready for one in sources if one.ready is not None and one.ready > ask.loading}
    )
    for day in days:
        later = replace(ask, loading=day, usable=ask.usable + (day - ask.loading))
        if _free(later, found, sources) >= ask.lpa:
            return day
    return None


def _lacking(ask: Ask, free: Decimal, supplies: Supplies) -> str:
    words = (
        f"{ask.lpa:,.0f} LPA of {ask.liquid} are asked at {ask.site} for {ask.loading}, and"
        f" {free:,.0f} LPA that may go to {ask.market or 'this store'} are not taken by other loads"
    )
    reasons = [
        f"{one.name} ({one.lpa:,.0f} LPA) may not be loaded: {one.reason}"
        for one in supplies.closed
        if (one.liquid, one.site) == (ask.liquid, ask.site)
    ]
    reasons += [
        f"{one.name} ({one.lpa:,.0f} LPA) is awaiting its decision, due {one.ready}"
        for one in supplies.sources
        if one.standing is Standing.AWAITING and (one.liquid, one.site) == (ask.liquid, ask.site)
    ]
    return "; ".join([words, *reasons])
