"""How full a tank may and must be, and what a load then holds.

The rules and the shape of a tank are in :mod:`bulkflow.filling.rules`; :func:`fill_range` brings
the limits of one tank, one lane and one strength together.
"""

from bulkflow.filling.load import (
    FILLING_CAUTION,
    HOUSE_RULE,
    LEAST_SHARE_OF_MOST,
    FillRange,
    Limit,
    LimitKind,
    fill_range,
    no_common_fill,
)
from bulkflow.filling.rules import (
    BULK_TEMPERATURE_C,
    SURGE_HIGH,
    SURGE_LOW,
    SURGE_SECTION_LITRES,
    SURGE_SOURCE,
    Compartment,
    FillRule,
    TankShell,
    maximum_fill_fraction,
    surge_fill_allowed,
)

__all__ = [
    "BULK_TEMPERATURE_C",
    "FILLING_CAUTION",
    "HOUSE_RULE",
    "LEAST_SHARE_OF_MOST",
    "SURGE_HIGH",
    "SURGE_LOW",
    "SURGE_SECTION_LITRES",
    "SURGE_SOURCE",
    "Compartment",
    "FillRange",
    "FillRule",
    "Limit",
    "LimitKind",
    "TankShell",
    "fill_range",
    "maximum_fill_fraction",
    "no_common_fill",
    "surge_fill_allowed",
]
