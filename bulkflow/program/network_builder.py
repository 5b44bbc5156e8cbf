"""The pieces of the core network as the families of rules add them, and what each stands for.

A `Label` leads from an id of the core back to the scenario: the rule in words, and the records
it comes from (``lanes[rhine]``), so that a diagnosis can name file and line.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.network import (
    Activity,
    Demand,
    Effect,
    Lane,
    Limit,
    Network,
    Node,
    Stock,
    Supply,
    Term,
)

__all__ = ["Label", "NetworkBuilder", "NodeDraft", "bound_label", "steady_amount"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Label:
    """What a node, lane, activity or limit of the core stands for.

    Parameters
    ----------
    words : the rule, in the user's words, to be followed by the weeks in which it holds.
    refs : the records it comes from, by id: ``sites[HARBOUR].tanks[T1]``, ``guarantees[BOND]``;
        by number where they have none: ``stock_policies[0]``.
    equation : number in this package's README.
    structural : whether it only ties quantities together, so that nobody could loosen it.
    """

    words: str
    refs: tuple[str, ...] = ()
    equation: int = 0
    structural: bool = False

    def tying(self) -> Label:
        """Return the label of a rule that only ties quantities of this one together."""
        return replace(self, structural=True)


@dataclass(slots=True)
class NodeDraft:
    """A node in the making; arrays are (T,) by commodity name."""

    stocked: bool = False
    initial: dict[str, float] = field(default_factory=dict)
    supply: dict[str, FloatArray] = field(default_factory=dict)
    most: dict[str, FloatArray] = field(default_factory=dict)
    least: dict[str, FloatArray] = field(default_factory=dict)
    holding: dict[str, FloatArray] = field(default_factory=dict)
    demand: dict[str, FloatArray] = field(default_factory=dict)
    shortage_cost: dict[str, FloatArray] = field(default_factory=dict)
    shortage: str = "lost"

    def finish(self, node: str) -> Node:
        """Return the node."""
        return Node(
            node,
            supply=Supply(exactly=_plain(self.supply)) if self.supply else None,
            demand=(
                Demand(
                    exactly=_plain(self.demand),
                    shortage_cost=_plain(self.shortage_cost),
                    shortage="backlogged" if self.shortage == "carried" else "lost",
                )
                if self.demand
                else None
            ),
            stock=(
                Stock(
                    initial=dict(self.initial),
                    at_most=_plain(self.most) if self.most else None,
                    at_least=_plain(self.least) if self.least else None,
                    holding_cost=_plain(self.holding) if self.holding else None,
                )
                if self.stocked
                else None
            ),
        )


def _plain(values: dict[str, FloatArray]) -> dict[str, list[float]]:
    """Return arrays as lists, which the core checks fastest."""
    return {name: array.tolist() for name, array in values.items()}


class NetworkBuilder:
    """Collects nodes, lanes, activities and limits of one network."""

    def __init__(self, periods: int) -> None:
        self.periods = periods
        self.nodes: dict[str, NodeDraft] = {}
        self.lanes: list[Lane] = []
        self.activities: list[Activity] = []
        self.limits: list[Limit] = []
        self.labels: dict[str, Label] = {}
        self.constant = 0.0

    def node(self, node: str, label: Label | None = None) -> NodeDraft:
        """Return a node's draft, new where there is none yet."""
        if label is not None:
            self.labels[node] = label
        return self.nodes.setdefault(node, NodeDraft())

    def add_supply(self, node: str, commodity: str, period: int, lpa: float) -> None:
        """Let an exact amount enter a node in a period (from 1)."""
        supply = self.node(node).supply.setdefault(commodity, np.zeros(self.periods))
        supply[period - 1] += lpa

    def add_lane(self, lane: Lane, label: Label) -> None:
        """Add a lane of the core."""
        self.lanes.append(lane)
        self.labels[lane.id] = label

    def add_activity(
        self,
        activity: str,
        label: Label,
        *,
        effects: Sequence[Effect] = (),
        lower: float | FloatArray | None = 0.0,
        upper: float | FloatArray | None = None,
        cost: float | FloatArray = 0.0,
        integer: bool = False,
    ) -> None:
        """Add an activity of the core."""
        self.activities.append(
            Activity(
                activity,
                effects=tuple(effects),
                lower=_list(lower),
                upper=_list(upper),
                cost=_list(cost) or 0.0,
                integer=integer,
            )
        )
        self.labels[activity] = label

    def add_limit(
        self,
        limit: str,
        label: Label,
        terms: Iterable[Term],
        *,
        at_most: float | FloatArray | None = None,
        at_least: float | FloatArray | None = None,
        exactly: float | FloatArray | None = None,
        over_horizon: bool = False,
        periods: Sequence[int] | None = None,
    ) -> None:
        """Add a limit of the core, unless it has no periods."""
        if periods is not None and not periods:
            return
        self.limits.append(
            Limit(
                limit,
                tuple(terms),
                at_most=_list(at_most),
                at_least=_list(at_least),
                exactly=_list(exactly),
                over_horizon=over_horizon,
                periods=None if periods is None else tuple(periods),
            )
        )
        self.labels[limit] = label

    def network(self, commodities: Sequence[str]) -> Network:
        """Return the whole network."""
        return Network(
            periods=self.periods,
            nodes=[draft.finish(node) for node, draft in self.nodes.items()],
            lanes=self.lanes,
            commodities=list(commodities),
            limits=self.limits,
            activities=self.activities,
            objective_constant=self.constant,
        )


def _list(value: float | FloatArray | None) -> float | list[float] | None:
    return value.tolist() if isinstance(value, np.ndarray) else value


def bound_label(side: Literal["most", "least"], node: str, name: str) -> str:
    """Return the key of the label of a bound on the stock of a commodity at a node."""
    return f"{side} {node}/{name}"


def steady_amount(effect: Effect) -> float:
    """Return the amount of an effect, which in this program is the same in every period."""
    if not isinstance(effect.amount, int | float):
        raise TypeError(f"effect on {effect.node} changes from period to period")
    return float(effect.amount)
