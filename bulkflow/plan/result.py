"""A plan with everything said about it: findings before, the check after, what holds cost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Annotated, Any

from pydantic import Field

from bulkflow.plan.check import CheckReport
from bulkflow.plan.checks.cost import Miss
from bulkflow.plan.finding import Finding
from bulkflow.program.answer import Plan

__all__ = ["HeldLoad", "HoldCost", "Miss", "PlanResult"]


@dataclass(frozen=True, slots=True)
class HeldLoad:
    """A load that released lots cannot fill on its loading day.

    Parameters
    ----------
    why : in words, as the filling from lots says it.
    lots : those it waits for; () where there are none that could fill it on its day.
    earliest : the first day on which it could be filled; None where none is known.
    """

    load_id: str
    why: str
    lots: Annotated[tuple[str, ...], Field(description="that it waits for; empty: none on its day")]
    earliest: Annotated[date | None, Field(description="when it could be filled; null: not known")]


@dataclass(frozen=True, slots=True)
class HoldCost:
    """A lot that is held or awaits a decision, what depends on it, and what the gate costs.

    Costs are in the workspace's currency; they are None where re-planning was not asked for.

    Parameters
    ----------
    status : ``held`` or ``awaiting``.
    enters_period : the period in which the plan counts on it; None for never.
    loads : loads that would lack liquid if it failed.
    cost_as_is, short_as_is_lpa : of the plan as it is: cost, and LPA times periods short.
    cost_released, short_released_lpa : of the best plan known with the lot released at the start:
        one found, or this one, which leaves the lot alone.
    cost_failed, short_failed_lpa : of the best plan found with the lot never released.
    saving_least, saving_most : what a release saves lies between these, by the proved bounds; the
        first is never below 0, the second None where no bound was proved.
    extra_least, extra_most : in the same way, what the failure of an awaiting lot costs; the second
        is None where no plan without the lot was found, or no bound was proved.
    unpriced : why a limit is missing though asked for; '' where none is.
    """

    lot_id: str
    liquid: str
    site: str
    status: str
    lpa: float
    decision_due: date | None
    enters_period: int | None
    note: str
    loads: tuple[str, ...]
    cost_as_is: float | None = None
    short_as_is_lpa: float | None = None
    cost_released: float | None = None
    short_released_lpa: float | None = None
    cost_failed: float | None = None
    short_failed_lpa: float | None = None
    saving_least: float | None = None
    saving_most: float | None = None
    extra_least: Annotated[float | None, Field(description="what its failure costs at least")] = (
        None
    )
    extra_most: Annotated[float | None, Field(description="and at most")] = None
    unpriced: Annotated[
        str, Field(description="why a cost is missing though asked for; '' otherwise")
    ] = ""


@dataclass(frozen=True, slots=True)
class PlanResult:
    """A checked plan of a workspace.

    Parameters
    ----------
    unmet : each priority, and whether what it does not get is ``carried`` or ``lost``.
    explanations : why the worst shortages are there, each in lines of text.
    misses : floors and closing targets missed and stock past its life; None where nobody looked
        (a plan kept before they were).
    held_loads : loads of the quarter that released lots cannot fill; None where lots were not
        put into loads.
    inputs : the workspace as it was planned (`bulkflow.plan.inputs`); {} where it was not kept.
    register, chain_head : where the opening lots come from, and the head of its chain when they
        were read (``number:hash``); '' for the workspace's own tables.
    """

    plan: Plan
    report: CheckReport
    unmet: tuple[tuple[str, str], ...]
    findings: tuple[Finding, ...] = ()
    holds: tuple[HoldCost, ...] = ()
    explanations: tuple[tuple[str, ...], ...] = ()
    misses: tuple[Miss, ...] | None = None
    held_loads: tuple[HeldLoad, ...] | None = None
    inputs: Mapping[str, Any] = field(default_factory=dict)
    register: str = ""
    chain_head: str = ""

    def waits_for(self, load_id: str) -> tuple[str, ...]:
        """Return the lots in hand without which a load would lack liquid."""
        return tuple(hold.lot_id for hold in self.holds if load_id in hold.loads)
