"""Small random networks with every feature of the core, made from a seed."""

from __future__ import annotations

import numpy as np

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
    Vehicle,
)


class _Dice:
    """Random choices rounded to few digits, so that values read well in a failure."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)

    def chance(self, share: float) -> bool:
        return bool(self.rng.random() < share)

    def number(self, low: float, high: float) -> float:
        return float(np.round(self.rng.uniform(low, high), 1))

    def series(self, low: float, high: float, periods: int) -> list[float]:
        return [self.number(low, high) for _ in range(periods)]

    def maybe(self, share: float, value: object) -> object:
        return value if self.chance(share) else None

    def whole(self, low: int, high: int) -> int:
        return int(self.rng.integers(low, high + 1))


def random_network(seed: int, *, periods: int | None = None, vehicles: bool = True) -> Network:
    """Return a network of suppliers, a plant, a depot and customers; mostly it has a plan."""
    dice = _Dice(seed)
    last = periods or dice.whole(3, 6)
    names = [f"k{number}" for number in range(dice.whole(1, 2))]
    nodes = [
        Node("S1", supply=_supply(dice, names, last)),
        Node("S2", supply=Supply(at_most=dice.number(5, 30), unit_cost=dice.number(2, 6))),
        Node("P", stock=_stock(dice, names, last), supply=dice.maybe(0.2, Supply(exactly=1.0))),
        Node("D", stock=dice.maybe(0.6, _stock(dice, names, last))),
    ]
    nodes += [
        Node(
            f"C{number}",
            stock=dice.maybe(0.7, _stock(dice, names, last)),
            demand=_demand(dice, names, last),
        )
        for number in range(dice.whole(1, 2))
    ]
    lanes = [
        _lane(dice, "in1", "S1", "P", names, last, vehicles=False),
        _lane(dice, "in2", "S2", "P", names, last, vehicles=False),
        _lane(dice, "mid", "P", "D", names, last, vehicles=vehicles),
    ]
    for node in nodes[4:]:
        lanes.append(_lane(dice, f"sea-{node.id}", "P", node.id, names, last, vehicles=vehicles))
        if dice.chance(0.6):
            lanes.append(
                _lane(dice, f"road-{node.id}", "D", node.id, names, last, vehicles=vehicles)
            )
    if len(nodes) > 5 and dice.chance(0.3):
        lanes.append(_lane(dice, "cross", "C0", "C1", names, last, vehicles=False))
    activities = _activities(dice, nodes, names, last)
    return Network(
        periods=last,
        commodities=names,
        nodes=nodes,
        lanes=lanes,
        limits=_limits(dice, nodes, lanes, activities, last),
        activities=activities,
        sense="maximise" if dice.chance(0.3) else "minimise",
        objective_constant=dice.number(-5, 5),
    )


def _supply(dice: _Dice, names: list[str], last: int) -> Supply:
    if dice.chance(0.3):
        return Supply(
            at_most={name: dice.series(5, 25, last) for name in names},
            unit_cost={name: dice.number(1, 4) for name in names},
        )
    return Supply(at_most=dice.series(5, 40, last), unit_cost=dice.number(1, 4))


def _stock(dice: _Dice, names: list[str], last: int) -> Stock:
    initial = {name: dice.number(0, 15) for name in names}
    return Stock(
        initial=initial if dice.chance(0.5) else dice.number(0, 15),
        at_most=dice.maybe(0.5, dice.number(20, 60)),
        at_least=dice.maybe(0.15, [0.0] * (last - 1) + [dice.number(0, 4)]),
        final_at_least=dice.maybe(0.3, dice.number(0, 8)),
        final_exactly=dice.maybe(0.05, dice.number(0, 8)),
        holding_cost=dice.maybe(0.8, dice.number(0, 1)),
    )


def _demand(dice: _Dice, names: list[str], last: int) -> Demand:
    asked = dice.series(0, 12, last)
    sales = dice.chance(0.3)
    backlogged = dice.chance(0.5)
    return Demand(
        exactly={name: dice.series(0, 10, last) for name in names} if dice.chance(0.5) else asked,
        at_most=dice.number(0, 5) if sales else None,
        unit_revenue=dice.number(1, 8) if sales else None,
        shortage_cost=dice.number(3, 30) if dice.chance(0.9) else None,
        shortage="backlogged" if backlogged else "lost",
    )


def _lane(
    dice: _Dice, name: str, start: str, end: str, names: list[str], last: int, *, vehicles: bool
) -> Lane:
    vehicle = None
    if vehicles and dice.chance(0.85):
        capacity = dice.number(5, 12)
        vehicle = Vehicle(
            capacity=capacity,
            min_fill=round(capacity * float(dice.rng.choice([0.0, 0.5, 0.8, 1.0])), 6),
            cost=dice.number(2, 15),
            max_count=dice.maybe(0.5, dice.whole(1, 4)),
        )
    on_off = dice.chance(0.3)
    lead: int | list[int] = dice.whole(0, 2)
    if dice.chance(0.15):
        lead = [dice.whole(0, 2) for _ in range(last)]
    return Lane(
        name,
        start,
        end,
        commodities=names[:1] if dice.chance(0.4) else None,
        unit_cost=dice.number(0, 2),
        lead_time=lead,
        gain=float(dice.rng.choice([1.0, 1.0, 1.0, 0.9, 1.1])),
        capacity=dice.number(20, 50) if on_off or dice.chance(0.3) else None,
        min_flow=dice.maybe(0.05, dice.number(0, 2)),
        fixed_cost=dice.maybe(0.7, dice.number(1, 20)) if on_off else None,
        min_if_used=dice.maybe(0.5, dice.number(1, 6)) if on_off else None,
        vehicle=vehicle,
        may_arrive_after_horizon=dice.chance(0.15),
    )


def _activities(dice: _Dice, nodes: list[Node], names: list[str], last: int) -> list[Activity]:
    found = []
    if dice.chance(0.3):
        found.append(
            Activity(
                "make",
                (Effect("P", names[0], -1.0), Effect("P", names[-1], 0.9, lag=1)),
                upper=dice.number(1, 6),
                cost=dice.number(0, 1),
                integer=dice.chance(0.5),
            )
        )
    if dice.chance(0.3):
        node = nodes[-1]
        found.append(Activity("use", (Effect(node.id, names[0], -1.0),), upper=2.0, cost=-0.5))
    if dice.chance(0.3):
        found.append(Activity("slack", upper=100.0, cost=dice.number(1, 3)))
    return found


def _limits(
    dice: _Dice, nodes: list[Node], lanes: list[Lane], activities: list[Activity], last: int
) -> list[Limit]:
    found = []
    sea = [lane for lane in lanes if lane.vehicle is not None]
    if sea and dice.chance(0.4):
        terms = [Term("in_transit", lane.id, times=1.5) for lane in sea]
        found.append(Limit("at risk", terms, at_most=dice.number(20, 60)))
    if sea and dice.chance(0.4):
        window = [Term("vehicles", lane.id, lag_first=0, lag_last=dice.whole(0, 2)) for lane in sea]
        found.append(Limit("fleet", window, at_most=dice.whole(3, 8)))
    if dice.chance(0.2):
        terms = [Term("flow", lane.id) for lane in lanes[:2]]
        found.append(Limit("bought", terms, at_most=dice.number(40, 90), over_horizon=True))
    if any(item.id == "slack" for item in activities):
        soft = [Term("activity", "slack")]
        if nodes[-1].stock is not None:
            soft.append(Term("stock", nodes[-1].id))
        found.append(Limit("floor", soft, at_least=dice.number(0, 6)))
    if dice.chance(0.2):
        found.append(Limit("short", [Term("shortage", nodes[-1].id)], at_most=dice.number(20, 60)))
    if dice.chance(0.2):
        terms = [Term("supply", "S1"), Term("sales", nodes[-1].id, times=-0.5)]
        found.append(Limit("mix", terms, at_most=dice.number(20, 60), periods=[1, last]))
    if dice.chance(0.15):
        found.append(Limit("days", [Term("used", lanes[0].id)], at_most=2, over_horizon=True))
    return found


def random_station_network(seed: int) -> Network:
    """Return a network where whole loads meet demand with stock, so that strengthening bites.

    Several lanes and sizes of vehicle into one node, losses, onward lanes, floors under stock,
    closing targets with what is under way, exact supply, activities that take and give.
    """
    dice = _Dice(seed)
    last = dice.whole(4, 7)
    nodes = [Node("P", supply=Supply(at_most=dice.number(20, 60), unit_cost=1.0))]
    lanes, limits, activities = [], [], []
    for number in range(dice.whole(1, 2)):
        name = f"C{number}"
        nodes.append(_station(dice, name, last))
        for kind in range(dice.whole(1, 3)):
            size = dice.number(6, 14)
            lead: int | list[int] = dice.whole(0, 2)
            if dice.chance(0.2):
                lead = [dice.whole(0, 2) for _ in range(last)]
            lanes.append(
                Lane(
                    f"L{number}{kind}",
                    "P",
                    name,
                    unit_cost=dice.number(0, 1),
                    lead_time=lead,
                    gain=float(dice.rng.choice([1.0, 1.0, 0.95, 1.05])),
                    vehicle=Vehicle(
                        capacity=[size] * last if dice.chance(0.8) else dice.series(6, 14, last),
                        min_fill=dice.number(0, 5),
                        cost=dice.number(2, 15),
                        max_count=dice.maybe(0.3, dice.whole(1, 3)),
                        min_count=[1.0] + [0.0] * (last - 1) if dice.chance(0.1) else 0.0,
                    ),
                    capacity=dice.maybe(0.2, dice.number(10, 30)),
                    may_arrive_after_horizon=dice.chance(0.4),
                )
            )
        if dice.chance(0.5):
            limits.append(_closing(dice, name, lanes, last))
            activities.append(Activity(f"below {name}", cost=dice.number(1, 6)))
        if dice.chance(0.3):
            limits.append(_floor(dice, name))
            activities.append(Activity(f"under {name}", cost=dice.number(0, 2)))
        if dice.chance(0.3):
            effect = Effect(name, "commodity", dice.number(-1, 1))
            activities.append(
                Activity(f"turn {name}", (effect,), upper=3.0, cost=0.5, integer=dice.chance(0.5))
            )
        if dice.chance(0.3):
            nodes.append(Node(f"R{number}", demand=Demand(exactly=1.0, shortage_cost=8.0)))
            lanes.append(Lane(f"on{number}", name, f"R{number}", lead_time=dice.whole(0, 1)))
    return Network(periods=last, nodes=nodes, lanes=lanes, limits=limits, activities=activities)


def _station(dice: _Dice, name: str, last: int) -> Node:
    return Node(
        name,
        supply=dice.maybe(0.2, Supply(exactly=dice.number(0, 2))),
        stock=Stock(
            initial=dice.number(0, 15),
            at_most=dice.maybe(0.3, dice.number(20, 40)),
            at_least=dice.maybe(0.1, [0.0] * (last - 1) + [1.0]),
            final_at_least=dice.maybe(0.2, dice.number(0, 6)),
            holding_cost=dice.number(0, 1),
        ),
        demand=Demand(
            exactly=dice.series(0, 9, last),
            shortage_cost=dice.number(2, 20),
            shortage="backlogged" if dice.chance(0.5) else "lost",
            at_most=dice.maybe(0.2, dice.number(0, 3)),
            unit_revenue=None,
        ),
    )


def _closing(dice: _Dice, name: str, lanes: list[Lane], last: int) -> Limit:
    under_way = [
        Term("in_transit", lane.id, times=lane.gain if isinstance(lane.gain, float) else 1.0)
        for lane in lanes
        if lane.to_node == name
    ]
    return Limit(
        f"closing {name}",
        [Term("stock", name), Term("activity", f"below {name}"), *under_way],
        at_least=dice.number(3, 15),
        periods=[last],
    )


def _floor(dice: _Dice, name: str) -> Limit:
    terms = [Term("stock", name, times=2.0), Term("activity", f"under {name}")]
    return Limit(f"floor {name}", terms, at_least=dice.number(1, 8))
