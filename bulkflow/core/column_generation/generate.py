"""Prices and plans in turn: the relaxation of the master brought to its end.

Each round prices the items at smoothed prices (between the best so far and the last of the
master), adds their plans with exact quantities, and solves the master again. Smoothing keeps the
prices from swinging (Wentges, International Transactions in Operational Research 4, 1997, from
memory). Rounds end when the master cannot gain more than a small part of its value.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.column_generation.columns import PlanColumn
from bulkflow.core.column_generation.exact import ExactPlans
from bulkflow.core.column_generation.pricing import Pricer
from bulkflow.core.column_generation.restricted_master import RestrictedMaster, Shared
from bulkflow.core.deadline import Deadline

__all__ = ["Generator", "Relaxed"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Relaxed:
    """The master's relaxation: value, share of every plan, values of the rest, row prices."""

    objective: float
    shares: FloatArray
    rest: FloatArray
    row_prices: FloatArray


class Generator:
    """Fills a master with plans.

    Parameters
    ----------
    row_prices : of the shared rows, to start from.
    """

    def __init__(
        self, shared: Shared, master: RestrictedMaster, exact: ExactPlans, row_prices: FloatArray
    ) -> None:
        self.shared, self.master, self.exact = shared, master, exact
        self.best_prices = shared.in_range(row_prices)
        self.best_value = -np.inf
        self.rounds = 0

    def relaxed(self, deadline: Deadline) -> Relaxed | None:
        """Solve the master's relaxation; None where it has no answer (in time)."""
        answer = self.master.solve(deadline)
        if answer.values is None or answer.row_prices is None:
            return None
        count = len(self.shared.rest)
        return Relaxed(
            answer.objective,
            answer.values[count:],
            answer.values[:count],
            self.shared.in_range(answer.row_prices[: len(self.shared.rows)]),
        )

    def price(
        self, pricer: Pricer, row_prices: FloatArray, deadline: Deadline, wanted: set[int] | None
    ) -> tuple[float, list[PlanColumn]]:
        """Return the value of these prices, and the plans that are best at them.

        The value is that of real plans: near a bound, and none.
        """
        prices = self.shared.column_prices(row_prices)
        _, counts = pricer.plans(prices, wanted)
        plans = self.exact.plans(counts, prices, deadline)
        value = self.shared.value_without_items(row_prices, prices)
        return value + sum(float(prices[one.columns] @ one.values) for one in plans), plans

    def run(
        self,
        pricer: Pricer,
        deadline: Deadline,
        *,
        rounds: int,
        smoothing: float = 0.5,
        close: float = 2e-5,
        current: Relaxed | None = None,
    ) -> Relaxed | None:
        """Run rounds over all items; return the last relaxation."""
        self.best_value = -np.inf
        separation = self.best_prices
        if current is not None and np.isfinite(current.objective):
            separation = current.row_prices
        for _ in range(rounds):
            value, plans = self.price(pricer, separation, deadline, None)
            complete = len(plans) == len(self.shared.split.items)
            if complete and value > self.best_value:
                self.best_value, self.best_prices = value, separation
            new = self.master.add_plans(plans)
            found = self.relaxed(deadline)
            self.rounds += 1
            if found is None:
                return current
            current = found
            gap = current.objective - self.best_value
            if gap <= close * abs(self.best_value) or deadline.reason_to_stop() is not None:
                break
            weight = smoothing if new else smoothing / 2
            separation = weight * self.best_prices + (1 - weight) * current.row_prices
        return current

    def refine(
        self, pricer: Pricer, current: Relaxed, wanted: set[int], deadline: Deadline, rounds: int
    ) -> Relaxed | None:
        """Price some items at the master's own prices for a few rounds."""
        found: Relaxed | None = current
        for _ in range(rounds):
            if found is None or deadline.reason_to_stop() is not None:
                return found
            _, plans = self.price(pricer, found.row_prices, deadline, wanted)
            if not self.master.add_plans(plans):
                return found
            found = self.relaxed(deadline)
        return found
