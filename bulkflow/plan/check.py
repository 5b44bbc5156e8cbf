"""The independent check of a plan, before it is shown.

Works every numbered equation of ``bulkflow/program/README.md`` out anew from the workspace and
the plan's rows. Shares nothing with the builder: no column, no row, no helper of
``bulkflow.program`` or ``bulkflow.core`` is used, only the form of the answer.
"""

from __future__ import annotations

from dataclasses import dataclass

from bulkflow.errors import VerificationError
from bulkflow.plan.checks.balance import balance_checks
from bulkflow.plan.checks.cost import cost_checks
from bulkflow.plan.checks.demand import demand_checks
from bulkflow.plan.checks.lanes import lane_checks
from bulkflow.plan.checks.ledger import Ledger
from bulkflow.plan.checks.making import making_checks
from bulkflow.plan.checks.room import room_checks
from bulkflow.plan.checks.shape import shape_checks
from bulkflow.plan.checks.watch import Check
from bulkflow.program.answer import Plan
from bulkflow.scenario.model import Scenario

__all__ = ["Check", "CheckReport", "check_plan"]

FAMILIES = (
    balance_checks,
    making_checks,
    room_checks,
    lane_checks,
    demand_checks,
    cost_checks,
)


@dataclass(frozen=True, slots=True)
class CheckReport:
    """Every check made of a plan, in the order of the equations' families."""

    checks: tuple[Check, ...]

    @property
    def passed(self) -> bool:
        """Whether every check passed."""
        return all(check.passed for check in self.checks)

    @property
    def failures(self) -> tuple[Check, ...]:
        """The checks that did not pass."""
        return tuple(check for check in self.checks if not check.passed)

    @property
    def comparisons(self) -> int:
        """How many comparisons were made in all."""
        return sum(check.compared for check in self.checks)

    def raise_for_failures(self) -> None:
        """Raise unless every check passed.

        Raises
        ------
        VerificationError
            Names each failed check, its equations, its worst place and amount.
        """
        if self.passed:
            return
        listed = "\n".join(f"  {check}" for check in self.failures)
        raise VerificationError(
            f"The plan failed its independent check and is not shown:\n{listed}"
        )


def check_plan(scenario: Scenario, plan: Plan) -> CheckReport:
    """Check a plan against every numbered equation.

    Where names, numbers or the calendar are wrong, the other checks would judge nonsense; then
    the report holds these three only.
    """
    shape = shape_checks(scenario, plan)
    if not all(check.passed for check in shape):
        return CheckReport(tuple(shape))
    ledger = Ledger(scenario, plan)
    return CheckReport((*shape, *(check for family in FAMILIES for check in family(ledger))))
