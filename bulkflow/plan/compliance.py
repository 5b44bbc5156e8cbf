"""Is a bottle lawful where it is sold: size, strength, the words on its label, its contents.

One judgement for every place that asks: ``check`` before anything is made, the arrival sheet, and
the act of bottling. What is not known for a market is not judged, and that is said. The market is
that of the bottles: a site may bottle for another one.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from bulkflow.alcoholometry import degree_15_from_strength, proof_from_strength
from bulkflow.plan.finding import Finding
from bulkflow.rules import (
    Rule,
    bottle_sizes,
    contents_error,
    label_form,
    reference_temperature,
    says,
    statements,
    strength_limit,
)
from bulkflow.scenario.jurisdictions import market_jurisdiction, site_jurisdiction
from bulkflow.scenario.model import Liquid, Product, Scenario, Site

__all__ = [
    "Breach",
    "Judgement",
    "bottled_for",
    "compliance_findings",
    "judge_product",
    "label_words",
    "lpa_per_case",
]

_UNDEFINED = "gin"


@dataclass(frozen=True, slots=True)
class Breach:
    """A rule that a bottle breaks: what about it, in words, and the rule with its source."""

    about: str
    words: str
    rule: Rule

    def __str__(self) -> str:
        """Return the words with the rule's source."""
        return f"{self.words} [{self.rule.citation}]"


@dataclass(frozen=True, slots=True)
class Judgement:
    """What the rules of a market say of a product on a day.

    ``remarks`` are what the label or the filling line has to do; ``unknown`` what is not judged
    because no rule of that market is known here.
    """

    place: str
    breaches: tuple[Breach, ...]
    remarks: tuple[str, ...]
    unknown: tuple[str, ...]


def bottled_for(scenario: Scenario, site: Site, market: str | None = None) -> str | None:
    """Return whose law holds for bottles filled at a site: the market's, else the site's own.

    Parameters
    ----------
    market : for which they are meant; by default the site's.
    """
    asked = market or site.market
    for one in scenario.markets:
        if one.id == asked:
            place = market_jurisdiction(scenario, one)
            if place is not None:
                return place
    return site_jurisdiction(site)


def judge_product(
    product: Product,
    liquid: Liquid,
    place: str,
    *,
    on: date,
    bottle_ml: float | None = None,
    strength_percent: float | None = None,
) -> Judgement:
    """Return what the rules of a place say of a product on a day.

    Parameters
    ----------
    bottle_ml, strength_percent : as filled, where they differ from the product [ml, % vol as the
        label has it, at the legal temperature of the place].
    """
    size = product.bottle_ml if bottle_ml is None else bottle_ml
    strength = product.strength_percent if strength_percent is None else strength_percent
    breaches: list[Breach] = []
    unknown: list[str] = []
    remarks: list[str] = []
    sizes = bottle_sizes(place, on=on)
    if sizes is None:
        unknown.append("sizes of bottles")
    elif not sizes.allows(size):
        breaches.append(Breach("size", f"{size:g} ml is no size of {place}: {says(sizes)}", sizes))
    asked = liquid.definition or _UNDEFINED
    limit = strength_limit(place, asked, on=on) or strength_limit(place, _UNDEFINED, on=on)
    if limit is None:
        unknown.append("minimum strength")
    else:
        low, high = limit.minimum_percent, limit.maximum_percent
        if (low is not None and strength < low) or (high is not None and strength > high):
            words = f"{strength:g} % vol is not what {place} asks of {says(limit)}"
            breaches.append(Breach("strength", words, limit))
    form = label_form(place, on=on)
    if form is None:
        unknown.append("form of the strength on the label")
    else:
        words = product.label_strength or label_words(form.example, strength)
        if not form.follows(words):
            breaches.append(Breach("label", f"'{words}' has not the form of {place}", form))
        elif _figure(words) is not None and _figure(words) != strength:
            told = f"'{words}' is on the label of a product of {strength:g} % vol"
            breaches.append(Breach("label", told, form))
    remarks += _remarks(product, place, size, strength, on)
    if contents_error(place, on=on) is None:
        unknown.append("tolerance of contents")
    return Judgement(place, tuple(breaches), tuple(remarks), tuple(unknown))


def _remarks(product: Product, place: str, size: float, strength: float, on: date) -> Iterator[str]:
    error = contents_error(place, on=on)
    short = None if error is None else error.tolerable_ml(size)
    if error is not None and short is not None:
        yield (
            f"a bottle of {size:g} ml may be short by {short:g} ml, the mean of a batch by nothing"
            f" [{error.citation}]"
        )
    temperature = reference_temperature(place, on=on)
    if temperature is not None and temperature.celsius == 15.0:
        degree = float(degree_15_from_strength(strength))
        yield (
            f"its degree at 15 degC is {degree:.2f} where {strength:g} is meant at 20 degC"
            f" [{temperature.citation}]"
        )
    elif temperature is not None and temperature.celsius < 20.0:
        proof = float(proof_from_strength(strength))
        yield f"{strength:g} % vol at 20 degC is {proof:.2f} proof [{temperature.citation}]"
    if product.added_allergens:
        exempt = statements(place, "allergens", on=on)
        source = f" [{exempt[0].citation}]" if exempt else ""
        named = ", ".join(product.added_allergens)
        yield f"the label declares {named}: only what was distilled is exempt{source}"
    for one in statements(place, "lot code", on=on)[:1]:
        yield f"{one.text} [{one.citation}]"


def label_words(example: str, strength: float) -> str:
    """Return the words on a label for a strength, in the form of an example.

    Examples
    --------
    >>> label_words("40 % vol", 41.2)
    '41.2 % vol'
    """
    return re.sub(r"\d+(\.\d+)?", f"{strength:g}", example, count=1)


def _figure(words: str) -> float | None:
    found = re.search(r"\d+([.,]\d+)?", words)
    return None if found is None else float(found[0].replace(",", "."))


def lpa_per_case(product: Product) -> float:
    """Return the LPA in a case of a product."""
    litres = product.bottles_per_case * product.bottle_ml / 1000.0
    return litres * product.strength_percent / 100.0


def compliance_findings(scenario: Scenario) -> Iterator[Finding]:
    """Yield what breaks a rule among the products that are asked for, once for each place.

    Judged on the first day of the plan, and anew on its last where rules change in between.
    """
    products = {one.id: one for one in scenario.products}
    liquids = {one.id: one for one in scenario.liquids}
    sites = {one.id: one for one in scenario.sites}
    first = scenario.calendar.start
    asked = sorted(
        {(row.product, row.site, row.market) for row in scenario.demand if row.product},
        key=str,
    )
    told: set[tuple[str, str, str]] = set()
    for product_id, site_id, market in asked:
        product, site = products.get(product_id or ""), sites.get(site_id)
        if product is None or site is None:
            continue
        place = bottled_for(scenario, site, market)
        liquid = liquids.get(product.liquid)
        if place is None or liquid is None:
            continue
        for breach in judge_product(product, liquid, place, on=first).breaches:
            if (product.id, place, breach.about) not in told:
                told.add((product.id, place, breach.about))
                yield Finding(
                    "warns",
                    f"{product.id} cannot be sold lawfully in {place}: {breach}. Correct the"
                    " product, or bottle it for another market.",
                    (f"products[{product.id}]",),
                )
        if (
            liquid.lowest_clear_percent is not None
            and product.strength_percent < liquid.lowest_clear_percent
            and (product.id, "", "haze") not in told
        ):
            told.add((product.id, "", "haze"))
            yield Finding(
                "warns",
                f"{product.id} at {product.strength_percent:g} % vol is below the"
                f" {liquid.lowest_clear_percent:g} % vol at which {liquid.id} stays clear: its lots"
                " need a chill test that passed before they are bottled.",
                (f"products[{product.id}]", f"liquids[{liquid.id}]"),
            )
