"""What law and house ask at the filling line: each bottle lawful for its market, and clear.

What breaks a rule stops the bottling, with the rule and its source. Where it is lawful all the
same (bottles for another market, an export order, samples that are not sold) the market is named,
or a reason is stated, which the record keeps.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.account.bodies import Bottling, SourceKind
from bulkflow.account.owing import Places, duty_on
from bulkflow.errors import Fault, InputError
from bulkflow.lots.tables import RESULT_TABLE
from bulkflow.plan.compliance import bottled_for, judge_product
from bulkflow.records.chain import is_current
from bulkflow.rules import Figure, rule
from bulkflow.scenario.model import Product, Scenario

__all__ = ["CHILL_TEST", "bottle_words", "refuse_hazy", "refuse_unlawful"]

#: The analyte of a chill test, with its result in NTU after the cold.
CHILL_TEST, TURBIDITY_UNIT = "chill test", "NTU"


def refuse_unlawful(scenario: Scenario, bottlings: Sequence[Bottling]) -> None:
    """Refuse bottles that break a rule of their market without a stated reason.

    Raises
    ------
    InputError
        With every rule broken, its source, and the way out.
    """
    faults = [fault for one in bottlings if not one.reason for fault in _faults(scenario, one)]
    if faults:
        raise InputError(faults)


def _faults(scenario: Scenario, one: Bottling) -> Iterator[Fault]:
    products = {product.id: product for product in scenario.products}
    sites = {site.id: site for site in scenario.sites}
    liquids = {liquid.id: liquid for liquid in scenario.liquids}
    product, site = products.get(one.product_id), sites.get(one.site_id)
    if product is None or site is None:
        return
    markets = [market.id for market in scenario.markets]
    if one.market is not None and one.market not in markets:
        mend = f"Give one of {', '.join(markets)}."
        yield Fault("", 0, "market", f"is {one.market!r}, which is no market here", mend)
        return
    place = bottled_for(scenario, site, one.market)
    if place is None:
        return
    found = judge_product(
        product,
        liquids[product.liquid],
        place,
        on=one.on,
        bottle_ml=float(one.bottle_ml),
        strength_percent=float(one.strength_percent),
    )
    mend = (
        "Correct the product, name the market the bottles are for (--market), or state why it is"
        " lawful (--reason)."
    )
    for breach in found.breaches:
        yield Fault("", 0, f"bottling {one.bottling_id}", f"{breach.about}: {breach}", mend)


def refuse_hazy(session: Session, scenario: Scenario, bottlings: Sequence[Bottling]) -> None:
    """Refuse bottles below the strength at which their liquid stays clear, unless tested.

    Every lot that goes in needs a chill test (analyte ``chill test``, NTU) that stayed bright;
    liquid without a lot cannot show one.
    """
    bright = rule("practice.turbidity.bright", on=scenario.calendar.start)
    assert isinstance(bright, Figure)
    products = {product.id: product for product in scenario.products}
    liquids = {liquid.id: liquid for liquid in scenario.liquids}
    faults = []
    for one in bottlings:
        product = products.get(one.product_id)
        lowest = None if product is None else liquids[product.liquid].lowest_clear_percent
        if lowest is None or float(one.strength_percent) >= lowest or one.reason:
            continue
        for source in one.sources:
            passed = source.kind is SourceKind.LOT and _passed(
                session, source.source_id, Decimal(repr(bright.value))
            )
            if not passed:
                found = (
                    f"{one.strength_percent:g} % vol is below the {lowest:g} % vol at which"
                    f" {product.liquid if product else ''} stays clear, and {source.source_id} has"
                    f" no chill test of at most {bright.value:g} NTU"
                )
                mend = (
                    f"Record one (bulkflow lots result FOLDER {source.source_id} '{CHILL_TEST}'"
                    f" VALUE {TURBIDITY_UNIT}), or state a reason (--reason)."
                )
                faults.append(Fault("", 0, f"bottling {one.bottling_id}", found, mend))
    if faults:
        raise InputError(faults)


def _passed(session: Session, lot_id: str, most: Decimal) -> bool:
    column = RESULT_TABLE.c
    rows = session.execute(
        select(column.value, column.qualifier).where(
            column.lot_id == lot_id,
            column.analyte == CHILL_TEST,
            column.unit == TURBIDITY_UNIT,
            is_current(column.seq),
        )
    ).all()
    return bool(rows) and all(value <= most and qualifier != ">" for value, qualifier in rows)


def bottle_words(scenario: Scenario, product: Product, one: Bottling) -> Iterator[str]:
    """Yield what a case holds, what duty lies on a bottle at the rate of its day, and remarks."""
    case = one.bottles_per_case * one.bottle_ml * one.strength_percent / 100_000
    yield f"{case.normalize():f} LPA a case"
    lpa = one.bottle_ml * one.strength_percent / 100_000
    owing = duty_on(
        Places(scenario), one.site_id, product.liquid, lpa, one.strength_percent, one.on
    )
    if owing is not None:
        yield (f"duty on a bottle {owing.due.unrounded:.4f} {owing.due.currency} ({owing.basis})")
    sites = {site.id: site for site in scenario.sites}
    place = bottled_for(scenario, sites[one.site_id], one.market) if one.site_id in sites else None
    if place is not None:
        liquid = next(liquid for liquid in scenario.liquids if liquid.id == product.liquid)
        judged = judge_product(product, liquid, place, on=one.on)
        yield from judged.remarks
        if judged.unknown:
            yield f"not judged, since no rule of {place} is known here: {', '.join(judged.unknown)}"
