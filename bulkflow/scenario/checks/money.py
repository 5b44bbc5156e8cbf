"""Contracts, prices, currencies and rates of duty: one is needed for every day it is used."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import timedelta

from bulkflow.reading.words import MOST_TOLD, figure
from bulkflow.scenario.draft import Draft
from bulkflow.scenario.lookup import exchange_rate, tiers_in_force
from bulkflow.scenario.model import (
    Authority,
    Contract,
    ExchangeRateRow,
    Guarantee,
    Lane,
    Liquid,
    PriceRow,
    Site,
    Supplier,
)
from bulkflow.wording import listed

__all__ = ["check_money"]


def check_money(draft: Draft) -> None:
    """Check what is paid, in which currency, and what duty is reckoned by."""
    for path, supplier in draft.each(Supplier):
        for index, contract in enumerate(supplier.contracts):
            _quantities(draft, f"{path}.contracts[{index}]", contract)
            _tiers(draft, f"{path}.contracts[{index}]", contract)
        _overlaps(draft, path, supplier)
    _prices(draft)
    _currencies(draft)
    _duty(draft)


def _quantities(draft: Draft, path: str, contract: Contract) -> None:
    least, most = contract.minimum_lpa, contract.maximum_lpa
    if most is not None and least > most:
        found = f"is {figure(least)}, above the maximum of {figure(most)}"
        draft.add(f"{path}.minimum_lpa", found, "The minimum is no more than the maximum.")
        return
    _least_order(draft, path, contract)
    periods = _periods_of(draft, contract)
    each = contract.maximum_lpa_per_period
    if periods is None or least == 0.0:
        return
    if periods == 0:
        found = (
            f"is {figure(least)}, but no period of the calendar starts within the contract's days"
        )
        draft.add(f"{path}.minimum_lpa", found, "Correct the days, or take the contract out.")
    elif each is not None and least > each * periods:
        found = f"is {figure(least)}, above {periods} periods of at most {figure(each)}"
        mend = "Lower the minimum, or allow more a period."
        draft.add(f"{path}.minimum_lpa", found, mend)


def _least_order(draft: Draft, path: str, contract: Contract) -> None:
    least = contract.minimum_lpa_per_order
    for name in ("maximum_lpa", "maximum_lpa_per_period"):
        most = getattr(contract, name)
        if most is not None and least > most:
            found = f"is {figure(least)}, above the {name} of {figure(most)}"
            draft.add(f"{path}.minimum_lpa_per_order", found, "An order keeps within both.")
            return


def _periods_of(draft: Draft, contract: Contract) -> int | None:
    """Count the periods that start within a contract's days (eq. 5)."""
    calendar = draft.calendar
    if calendar is None:
        return None
    starts = [
        calendar.start + timedelta(days=calendar.period_days * number)
        for number in range(calendar.horizon_periods)
    ]
    first, last = contract.first_day or starts[0], contract.last_day or starts[-1]
    return sum(first <= start <= last for start in starts)


def _tiers(draft: Draft, path: str, contract: Contract) -> None:
    if contract.tiers[0].from_lpa != 0.0:
        found = f"is {figure(contract.tiers[0].from_lpa)}"
        draft.add(f"{path}.tiers[0].from_lpa", found, "The first tier starts from 0.")
    for index in range(1, len(contract.tiers)):
        before, here = contract.tiers[index - 1].from_lpa, contract.tiers[index].from_lpa
        if here <= before:
            found = f"is {figure(here)}, not above the tier before it ({figure(before)})"
            draft.add(f"{path}.tiers[{index}].from_lpa", found, "Tiers rise.")


def _overlaps(draft: Draft, path: str, supplier: Supplier) -> None:
    for index, later in enumerate(supplier.contracts):
        for earlier in supplier.contracts[:index]:
            if earlier.liquid == later.liquid and _share_a_day(earlier, later):
                found = f"is {later.liquid!r}, which an earlier contract sells on the same days"
                mend = "Give the contracts of one liquid days that do not overlap, or join them."
                draft.add(f"{path}.contracts[{index}].liquid", found, mend)
                break


def _share_a_day(a: Contract, b: Contract) -> bool:
    a_over = a.last_day is not None and b.first_day is not None and a.last_day < b.first_day
    b_over = b.last_day is not None and a.first_day is not None and b.last_day < a.first_day
    return not (a_over or b_over)


def _prices(draft: Draft) -> None:
    suppliers = draft.by_id(Supplier)
    for path, price in draft.each(PriceRow):
        supplier = suppliers.get(price.supplier)
        if supplier is None or price.liquid not in draft.ids.get("liquids", set()):
            continue
        contracts = [one for one in supplier.contracts if one.liquid == price.liquid]
        if not contracts:
            sold = listed(sorted({one.liquid for one in supplier.contracts}), MOST_TOLD)
            found = f"is {price.liquid!r}, which {supplier.id} has no contract for"
            draft.add(f"{path}.liquid", found, f"It sells {sold}.")
        for contract in contracts:
            tiers = tiers_in_force(supplier.id, contract, [price], price.first_day)
            if any(tier.price_per_lpa < 0.0 for tier in tiers):
                found = (
                    f"is {figure(price.price_per_lpa)}, which takes a later tier of the contract"
                    " below 0"
                )
                mend = (
                    "Later tiers keep their difference to the first; raise it, or mend the tiers."
                )
                draft.add(f"{path}.price_per_lpa", found, mend)


def _currencies(draft: Draft) -> None:
    own, start = draft.currency, draft.first_day
    if own is None or start is None or "exchange_rates" in draft.unreadable:
        return
    rows = [row for _, row in draft.each(ExchangeRateRow)]
    for path, row in draft.each(ExchangeRateRow):
        if row.currency == own:
            found = f"is {own!r}, the currency of the workspace"
            draft.add(f"{path}.currency", found, "Its rate is 1; take the row out.")
    if not draft.is_whole(ExchangeRateRow):
        return
    said: set[str] = set()
    for path, currency in _currencies_used(draft):
        if currency not in said and exchange_rate(currency, own, rows, start) is None:
            said.add(currency)
            found = f"is {currency!r}, which has no exchange rate on {start}"
            mend = f"Add a row to exchange_rates with a first day on or before {start}."
            draft.add(path, found, mend)


def _currencies_used(draft: Draft) -> Iterator[tuple[str, str]]:
    yield from _own_currencies(draft, Supplier)
    yield from _own_currencies(draft, Site)
    yield from _own_currencies(draft, Lane)
    yield from _own_currencies(draft, Guarantee)
    for path, authority in draft.each(Authority):
        for index, rate in enumerate(authority.rates):
            if rate.currency is not None:
                yield f"{path}.rates[{index}].currency", rate.currency


def _own_currencies(
    draft: Draft, model: type[Supplier] | type[Site] | type[Lane] | type[Guarantee]
) -> Iterator[tuple[str, str]]:
    for path, record in draft.each(model):
        if record.currency is not None:
            yield f"{path}.currency", record.currency


def _duty(draft: Draft) -> None:
    authorities, liquids = draft.by_id(Authority), draft.by_id(Liquid)
    for path, authority_id, carried in _duty_reckoned(draft):
        authority = authorities.get(authority_id)
        if authority is None:
            continue
        start = draft.first_day
        earliest = min(rate.first_day for rate in authority.rates)
        if start is not None and earliest > start:
            found = f"is {authority_id!r}, which has no rate in force on {start}"
            draft.add(path, found, f"Add a rate with a first day on or before {start}.")
        if any(rate.kind == "by_value_percent" for rate in authority.rates):
            _by_value(draft, path, authority_id, carried, liquids)


def _by_value(
    draft: Draft,
    path: str,
    authority_id: str,
    carried: tuple[str, ...],
    liquids: Mapping[str, Liquid],
) -> None:
    without = [one for one in carried if one in liquids and liquids[one].value_per_lpa == 0.0]
    if without:
        names = listed(without, MOST_TOLD)
        found = f"is {authority_id!r}, which taxes by value, and {names} has no value_per_lpa"
        draft.add(path, found, "Give the liquid a value above 0.")


def _duty_reckoned(draft: Draft) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    """Yield where an authority's rate is used, its id, and the liquids it is used on."""
    for path, lane in draft.each(Lane):
        for index, leg in enumerate(lane.legs):
            yield f"{path}.legs[{index}].authority", leg.authority, lane.liquids
    for path, site in draft.each(Site):
        used = site.duty_status == "paid" or site.storage_guarantee is not None
        if site.authority is not None and used:
            kept = dict.fromkeys(liquid for tank in site.tanks for liquid in tank.liquids)
            yield f"{path}.authority", site.authority, tuple(kept)
