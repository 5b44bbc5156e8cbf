"""Origin classes, worked out for the check (README, "Origin class")."""

from __future__ import annotations

from collections.abc import Iterable

from bulkflow.scenario.model import Lot, Scenario

__all__ = ["ANY", "OriginClasses", "barred_markets"]

ANY = "any"
PREFIX = "not-for:"


def barred_markets(origin_class: str) -> frozenset[str] | None:
    """Return the markets that bar a class by its name; None where the name is no class."""
    if origin_class == ANY:
        return frozenset()
    if not origin_class.startswith(PREFIX):
        return None
    markets = frozenset(origin_class.removeprefix(PREFIX).split("+"))
    return markets if all(markets) else None


class OriginClasses:
    """Which markets bar what, for the liquids, suppliers and lots of a scenario."""

    def __init__(self, scenario: Scenario) -> None:
        self._markets = scenario.markets
        self._known = frozenset(market.id for market in scenario.markets)
        self._base = {liquid.id: liquid.spirit_base for liquid in scenario.liquids}

    def of_bought(self, liquid: str, supplier: str | None) -> frozenset[str]:
        """Return the markets that bar a liquid from a supplier (or from nobody named)."""
        return self._barring(self._base.get(liquid), supplier)

    def of_lot(self, lot: Lot) -> frozenset[str]:
        """Return the markets that bar an opening lot, those of its restrictions included."""
        base = lot.spirit_base or self._base.get(lot.liquid)
        return self._barring(base, lot.supplier) | (self._known & frozenset(lot.restrictions))

    def of_mixture(self, classes: Iterable[str]) -> frozenset[str]:
        """Return the markets that bar what is made from several classes."""
        return frozenset().union(*(barred_markets(one) or frozenset() for one in classes))

    def _barring(self, base: str | None, supplier: str | None) -> frozenset[str]:
        return frozenset(
            market.id
            for market in self._markets
            if (base is not None and base in market.barred_spirit_bases)
            or (supplier is not None and supplier in market.barred_suppliers)
        )
