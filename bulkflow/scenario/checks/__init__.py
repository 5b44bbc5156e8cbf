"""Checks of sense across records: what each says may be right, and together they cannot be.

Whether a plan exists is not asked here (that is told before solving, from the network); only what
cannot have been meant, or would silently do nothing.
"""

from __future__ import annotations

from bulkflow.scenario.checks.dates import check_dates
from bulkflow.scenario.checks.demand import check_demand
from bulkflow.scenario.checks.making import check_making
from bulkflow.scenario.checks.money import check_money
from bulkflow.scenario.checks.places import check_idle_tanks, check_places
from bulkflow.scenario.checks.position import check_position
from bulkflow.scenario.checks.references import check_identity, check_references
from bulkflow.scenario.checks.transport import check_transport
from bulkflow.scenario.checks.units import check_units
from bulkflow.scenario.draft import Draft

__all__ = ["check_sense"]


def check_sense(draft: Draft) -> None:
    """Note every fault of sense in a draft."""
    for check in (
        check_identity,
        check_references,
        check_units,
        check_dates,
        check_making,
        check_places,
        check_transport,
        check_money,
        check_position,
        check_demand,
        check_idle_tanks,
    ):
        check(draft)
