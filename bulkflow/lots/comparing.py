"""Results as limits state them: by pure alcohol, whatever unit the laboratory used.

Gates hold mg/l and g/hl of pure alcohol against each other by the lot's strength. What is given
by mass, or in another unit of an amount, is turned into g/hl of pure alcohol here, once, when it
is recorded; the record keeps both, and the strength. A result in a unit that is no amount of
substance (% vol, NTU) is left as it is.
"""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Decimal

from bulkflow.laboratory.units import converted, unit_named
from bulkflow.lots.bodies import Comparable, Result
from bulkflow.lots.queries import LotLine
from bulkflow.records.amounts import MILLIONTHS

__all__ = ["BY_PURE_ALCOHOL", "with_comparable"]

#: The unit of limits of law, as it is kept.
BY_PURE_ALCOHOL = "g/hl pa"


def with_comparable(result: Result, lot: LotLine) -> Result:
    """Return a result with what limits are held against, where its own unit is another."""
    unit = unit_named(result.unit)
    if unit in (None, BY_PURE_ALCOHOL, "mg/l") or lot.strength_percent <= 0:
        return result
    turned = converted(
        float(result.value), result.unit, BY_PURE_ALCOHOL, float(lot.strength_percent)
    )
    place = Decimal(1).scaleb(-MILLIONTHS)
    value = Decimal(repr(turned)).quantize(place, rounding=ROUND_HALF_EVEN)
    compared = Comparable(
        value=value, unit=BY_PURE_ALCOHOL, at_strength_percent=lot.strength_percent
    )
    return result.model_copy(update={"compared": compared})
