"""Which lots fill which loads: a small program, solved goal by goal.

Pure: sources (lots, and lots to come) and asks (a load's LPA of one liquid) go in, shares come
out. The goals are taken one after the other, each held while the next is sought, so no weight has
to be chosen:

1. no promised load goes unfilled, then as few loads as possible, then none before a later one;
2. as few draws as possible on lots that await their decision, promised loads first, then on
   lots to come;
3. as few lots in loads, and as few remnants too small for a load of their own, as possible
   together: such a remnant makes a second lot in some later load;
4. first expired, or first made, goes first.

A load is filled whole or not at all; where loads are left out, what they ask for gives way as far
as it may (`Ask.least`), and no further than lets the most of them go. Amounts are whole thousandths
of an LPA throughout.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import ROUND_DOWN, Decimal
from enum import IntEnum

import networkx as nx

from bulkflow.core.network import Activity, Demand, Effect, Lane, Limit, Network, Node, Supply, Term
from bulkflow.core.options import SolveOptions
from bulkflow.core.outcome import Outcome, OutcomeStatus, Solution
from bulkflow.core.solve import solve
from bulkflow.errors import SolverError, VerificationError

__all__ = ["LEAST_DRAW_LPA", "Allocation", "Ask", "Source", "Standing", "allocate", "fits"]

LEAST_DRAW_LPA = 10.0
"""Less than this is not drawn from a lot, unless the lot or the load is no larger."""

_NOTHING = 1e-6  # LPA; far below a thousandth
_THOUSANDTH = Decimal("0.001")
_WORK = 0.75  # for each goal of each group (`bulkflow.core.deadline`)
_ROOM = 3  # thousandths by which an amount may leave the solver's, either way


class Standing(IntEnum):
    """How sure it is that a source can be loaded; lower is surer."""

    RELEASED = 0
    TO_COME = 1  # a vatting to be made, or a load to arrive
    AWAITING = 2  # a lot that is there and whose decision is not taken


@dataclass(frozen=True, slots=True)
class Source:
    """A lot, or a lot to come, that loads may draw on.

    Parameters
    ----------
    lpa : what it may give [LPA, three places].
    ready : the first day on which it may be loaded; None: now.
    made, expires : day of vatting, and the last day on which the liquid may be used.
    barred : markets it may not go to; ``meant`` those it was checked for (empty: not stated).
    ahead : markets that it can still come to from its site; None where all may be.
    """

    name: str
    liquid: str
    site: str
    lpa: Decimal
    strength_percent: Decimal
    standing: Standing
    ready: date | None = None
    made: date | None = None
    expires: date | None = None
    barred: frozenset[str] = frozenset()
    meant: frozenset[str] = frozenset()
    ahead: frozenset[str] | None = None

    @property
    def age(self) -> tuple[date, str]:
        """What first-expired, first-made goes by."""
        return self.expires or self.made or self.ready or date.max, self.name


@dataclass(frozen=True, slots=True)
class Ask:
    """LPA of one liquid that a load is to hold.

    Parameters
    ----------
    market : of the receiver; None for a store of no market, where ``barred`` holds: the
        markets that what fills it may be barred from at most.
    usable : the day on which the receiver may use it.
    least : LPA with which the load may go too, where there is not more; None: no less than ``lpa``.
    """

    load: str
    liquid: str
    site: str
    lpa: Decimal
    loading: date
    usable: date
    market: str | None = None
    barred: frozenset[str] = frozenset()
    promised: bool = False
    least: Decimal | None = None

    @property
    def key(self) -> tuple[str, str]:
        """Load and liquid."""
        return self.load, self.liquid

    @property
    def ease(self) -> Decimal:
        """By how much it may give way."""
        return Decimal(0) if self.least is None else max(Decimal(0), self.lpa - self.least)


@dataclass(frozen=True, slots=True)
class Allocation:
    """What fills what.

    Parameters
    ----------
    filled : by load and liquid, what each source gives; shares add up to the LPA asked, or to
        what is left of it where it gave way.
    unfilled : the loads left out.
    left : by source, the LPA nothing draws on.
    proved : whether every goal was proved best; ``gaps`` names those that were not, with
        their gap.
    """

    filled: dict[tuple[str, str], dict[str, Decimal]]
    unfilled: frozenset[str]
    left: dict[str, Decimal]
    gaps: tuple[tuple[str, float], ...] = ()

    @property
    def proved(self) -> bool:
        """Whether every goal was proved best."""
        return not self.gaps


def fits(source: Source, ask: Ask) -> bool:
    """Tell whether a source may fill an ask at all."""
    if (source.liquid, source.site) != (ask.liquid, ask.site):
        return False
    if source.ready is not None and source.ready > ask.loading:
        return False
    if source.expires is not None and source.expires < ask.usable:
        return False
    if ask.market is None:
        matters = source.barred if source.ahead is None else source.barred & source.ahead
        return matters <= ask.barred
    if source.meant and ask.market not in source.meant:
        return False
    return ask.market not in source.barred


def allocate(
    sources: Sequence[Source], asks: Sequence[Ask], *, seconds: float | None = None
) -> Allocation:
    """Return the best shares found, goal by goal; there always are some.

    Parameters
    ----------
    sources, asks : names of sources, and load with liquid of asks, are unique.
    seconds : wall time for each goal of each group of loads that share lots; the work for it is
        limited besides, so that without ``seconds`` the same asks always get the same shares.
    """
    graph: nx.Graph[tuple[str, ...]] = nx.Graph()
    for ask in asks:
        graph.add_edge(("load", ask.load), ("ask", *ask.key))
        graph.add_edges_from(
            (("ask", *ask.key), ("source", one.name)) for one in sources if fits(one, ask)
        )
    filled: dict[tuple[str, str], dict[str, Decimal]] = {}
    unfilled: set[str] = set()
    gaps: list[tuple[str, float]] = []
    for members in nx.connected_components(graph):
        group = _Group(
            [one for one in sources if ("source", one.name) in members],
            sorted((one for one in asks if ("ask", *one.key) in members), key=_ask_order),
        )
        found = group.solve(seconds)
        filled |= found.filled
        unfilled |= found.unfilled
        gaps += found.gaps
    left = {one.name: one.lpa for one in sources}
    for shares in filled.values():
        for name, lpa in shares.items():
            left[name] -= lpa
    return Allocation(filled, frozenset(unfilled), left, tuple(gaps))


def _ask_order(ask: Ask) -> tuple[date, str, str]:
    return ask.loading, ask.load, ask.liquid


Costs = Callable[[str], float]


@dataclass(frozen=True, slots=True)
class _Goal:
    """One goal: its name, and what one use of a lane, LPA on it, or a load left out costs."""

    name: str
    per_use: dict[str, float] = field(default_factory=dict)
    per_lpa: dict[str, float] = field(default_factory=dict)
    per_load: dict[str, float] = field(default_factory=dict)
    per_less: dict[str, float] = field(default_factory=dict)

    @property
    def free(self) -> bool:
        """Whether nothing costs anything, so that there is nothing to seek."""
        costs = (self.per_use, self.per_load, self.per_lpa, self.per_less)
        return not any(value for one in costs for value in one.values())


class _Group:
    """Loads that share lots, as one small network of a single period."""

    def __init__(self, sources: list[Source], asks: list[Ask], *, eased: bool = False) -> None:
        self.eased = eased  # whether asks give way
        self.sources = sorted(sources, key=lambda one: one.age)
        self.asks = asks
        self.loads = list(dict.fromkeys(ask.load for ask in asks))
        self.promised = {ask.load for ask in asks if ask.promised}
        self.pairs = [(s, a) for s in self.sources for a in asks if fits(s, a)]
        self.least_ask = {
            liquid: min(ask.lpa for ask in asks if ask.liquid == liquid)
            for liquid in {ask.liquid for ask in asks}
        }

    def solve(self, seconds: float | None) -> Allocation:
        """Return the best shares; where loads are left out, those for asks that gave way."""
        found = self._filled(seconds)
        if not found.unfilled or not self.pairs or not any(ask.ease for ask in self.asks):
            return found
        start, _ = _Group(self.sources, self.asks, eased=True)._sought(seconds)
        if start is None:
            return found
        asks = [_given_way(ask, start) for ask in self.asks]
        again = _Group(self.sources, asks)._filled(seconds)
        return min(found, again, key=lambda one: self._left_out(one))

    def _left_out(self, found: Allocation) -> tuple[int, int]:
        return len(found.unfilled & self.promised), len(found.unfilled)

    def _filled(self, seconds: float | None) -> Allocation:
        if not self.pairs:
            return Allocation({}, frozenset(self.loads), {})
        start, gaps = self._sought(seconds)
        found = None if start is None else self._read(start)
        return replace(found or self._in_order(), gaps=tuple(gaps))

    def _sought(self, seconds: float | None) -> tuple[Solution | None, list[tuple[str, float]]]:
        """Seek each goal in turn; what none is found for is filled in the order of its goals."""
        limits: list[Limit] = []
        gaps: list[tuple[str, float]] = []
        start: Solution | None = None
        for goal in self._goals():
            if goal.free:
                continue
            if start is not None and self._value(goal, start) <= _NOTHING:
                limits += [] if goal.per_lpa else self._hold(goal, 0.0)
                continue
            outcome = self._seek(goal, limits, seconds, start)
            if outcome is None or outcome.solution is None:
                gaps.append((goal.name, float("inf")))
                break
            start = outcome.solution
            if outcome.status is not OutcomeStatus.OPTIMAL:
                gaps.append((goal.name, outcome.gap if outcome.gap is not None else float("inf")))
            if not goal.per_lpa:
                limits += self._hold(goal, self._value(goal, start))
        return start, gaps

    def _in_order(self) -> Allocation:
        """Fill load after load, promised ones first, from the surest and oldest lots."""
        left = {one.name: one.lpa for one in self.sources}
        filled: dict[tuple[str, str], dict[str, Decimal]] = {}
        out: set[str] = set()
        for load in sorted(self.loads, key=lambda one: one not in self.promised):
            drawn = self._drawn({ask for ask in self.asks if ask.load == load}, left)
            if drawn is None:
                out.add(load)
                continue
            filled |= drawn
            for shares in drawn.values():
                for name, lpa in shares.items():
                    left[name] -= lpa
        return Allocation(filled, frozenset(out), {})

    def _drawn(
        self, asks: set[Ask], left: dict[str, Decimal]
    ) -> dict[tuple[str, str], dict[str, Decimal]] | None:
        """Return what lots give to the asks of one load, or None where they have not enough."""
        found: dict[tuple[str, str], dict[str, Decimal]] = {}
        for ask in sorted(asks, key=_ask_order):
            wanted, shares = ask.lpa, dict[str, Decimal]()
            fitting = [s for s, a in self.pairs if a == ask]
            for source in sorted(fitting, key=lambda one: (one.standing, one.age)):
                least = min(Decimal(repr(LEAST_DRAW_LPA)), source.lpa, ask.lpa)
                draw = min(wanted, left[source.name])
                if draw < least:
                    continue
                shares[source.name] = draw
                wanted -= draw
                if not wanted:
                    break
            if wanted:
                return None
            found[ask.key] = shares
        return found

    def _goals(self) -> list[_Goal]:
        count = len(self.loads)
        draws = {_lane(s, a): s for s, a in self.pairs}
        remnants = {
            _remnant(one): 1.0 for one in self.sources if one.standing is not Standing.TO_COME
        }
        doubt = {name: 1.0 for name, s in draws.items() if s.standing is Standing.AWAITING}
        kept = {_lane(s, a) for s, a in self.pairs if a.promised}
        not_there = {name: 1.0 for name, s in draws.items() if s.standing is Standing.TO_COME}
        first = [
            _Goal("promised loads unfilled", per_load=dict.fromkeys(self.promised, 1.0)),
            _Goal("loads unfilled", per_load=dict.fromkeys(self.loads, 1.0)),
            _Goal(
                "earlier loads unfilled",
                per_load={one: float(count - place) for place, one in enumerate(self.loads)},
            ),
        ]
        if self.eased:
            less = {_less(ask): 1.0 for ask in self.asks if ask.ease}
            return [*first, _Goal("LPA less than asked", per_less=less)]
        return [
            *first,
            _Goal("promised loads in doubt", per_use={n: c for n, c in doubt.items() if n in kept}),
            _Goal("draws on lots awaiting a decision", per_use=doubt),
            _Goal("draws on lots to come", per_use=not_there),
            _Goal("lots in loads, and remnants", per_use=dict.fromkeys(draws, 1.0) | remnants),
            _Goal("order of use", per_lpa=self._order()),
        ]

    def _order(self) -> dict[str, float]:
        """Cost of liquid by the age of its lot and the place of its load: old goes early.

        Of two lots and two loads the older in the earlier load costs less than crossed; what is
        left over costs nothing, so the youngest is left.
        """
        rank = {one.name: place for place, one in enumerate(self.sources)}
        place = {one: number for number, one in enumerate(self.loads)}
        scale = len(self.sources) * len(self.loads) * float(max(a.lpa for a in self.asks))
        return {
            _lane(s, a): rank[s.name] * (len(self.loads) - place[a.load]) / scale
            for s, a in self.pairs
        }

    def _seek(
        self, goal: _Goal, limits: list[Limit], seconds: float | None, start: Solution | None
    ) -> Outcome | None:
        """Seek one goal; None where nothing was found that holds exactly."""
        try:
            return solve(
                self._network(goal, limits),
                SolveOptions(
                    seconds=seconds, work=_WORK, gap=0.0, form="plain", start=start, exact=True
                ),
            )
        except (SolverError, VerificationError):
            return None

    def _network(self, goal: _Goal, limits: list[Limit]) -> Network:
        nodes = [Node("left", demand=Demand()), Node("remnants", demand=Demand())]
        lanes = []
        for one in self.sources:
            nodes.append(Node(_place(one), supply=Supply(exactly=float(one.lpa))))
            free = one.standing is Standing.TO_COME
            least = None if free else float(self.least_ask[one.liquid])
            lanes.append(Lane(_rest(one), _place(one), "left", min_if_used=least))
            if not free:
                lanes.append(self._with_cost(goal, _remnant(one), _place(one), "remnants", 0.001))
        nodes += [Node(_node(ask), demand=Demand(exactly=float(ask.lpa))) for ask in self.asks]
        for s, a in self.pairs:
            least_draw = min(LEAST_DRAW_LPA, float(s.lpa), float(a.lpa))
            lanes.append(self._with_cost(goal, _lane(s, a), _place(s), _node(a), least_draw))
        return Network(
            periods=1,
            nodes=nodes,
            lanes=lanes,
            activities=[
                *(self._out(goal, load) for load in self.loads),
                *(self._give_way(goal, ask) for ask in self.asks if self.eased and ask.ease),
            ],
            limits=limits,
        )

    def _with_cost(self, goal: _Goal, name: str, start: str, end: str, least: float) -> Lane:
        return Lane(
            name,
            start,
            end,
            min_if_used=least,
            fixed_cost=goal.per_use.get(name, 0.0),
            unit_cost=goal.per_lpa.get(name, 0.0),
        )

    def _out(self, goal: _Goal, load: str) -> Activity:
        """Leave a whole load out: then its asks are met from nowhere."""
        return Activity(
            f"out {load}",
            effects=[
                Effect(_node(ask), "commodity", float(ask.lpa))
                for ask in self.asks
                if ask.load == load
            ],
            upper=1.0,
            integer=True,
            cost=goal.per_load.get(load, 0.0),
        )

    def _give_way(self, goal: _Goal, ask: Ask) -> Activity:
        """Let an ask be met with less."""
        return Activity(
            _less(ask),
            effects=[Effect(_node(ask), "commodity", 1.0)],
            upper=float(ask.ease),
            cost=goal.per_less.get(_less(ask), 0.0),
        )

    def _hold(self, goal: _Goal, value: float) -> list[Limit]:
        terms = [Term("used", name, cost) for name, cost in goal.per_use.items()]
        terms += [Term("activity", f"out {one}", cost) for one, cost in goal.per_load.items()]
        return [Limit(goal.name, terms, at_most=float(round(value)))] if terms else []

    def _value(self, goal: _Goal, found: Solution) -> float:
        used = sum(cost * round(float(found.used[n][0])) for n, cost in goal.per_use.items())
        out = sum(
            cost * round(float(found.activity[f"out {n}"][0])) for n, cost in goal.per_load.items()
        )
        sent = sum(cost * float(found.flow[n][0, 0]) for n, cost in goal.per_lpa.items())
        less = sum(float(found.activity[n][0]) for n in goal.per_less)
        return used + out + sent + less

    def _read(self, found: Solution) -> Allocation | None:
        """Return the shares of a solution in whole thousandths; None where there are none."""
        out = {load for load in self.loads if round(float(found.activity[f"out {load}"][0]))}
        flows = {
            (s.name, a.key): float(found.flow[_lane(s, a)][0, 0])
            for s, a in self.pairs
            if a.load not in out
        }
        asks = {ask.key: ask for ask in self.asks if ask.load not in out}
        supply = {one.name: one.lpa for one in self.sources}
        try:
            exact = _whole_thousandths(flows, supply, {key: ask.lpa for key, ask in asks.items()})
        except nx.NetworkXUnfeasible:
            return None
        filled: dict[tuple[str, str], dict[str, Decimal]] = {key: {} for key in asks}
        for (name, key), lpa in exact.items():
            filled[key][name] = lpa
        return Allocation(filled, frozenset(out), {})


def _whole_thousandths(
    flows: dict[tuple[str, tuple[str, str]], float],
    supply: dict[str, Decimal],
    asked: dict[tuple[str, str], Decimal],
) -> dict[tuple[str, tuple[str, str]], Decimal]:
    """Return the flows in whole thousandths, every ask met and no source overdrawn.

    Supplies and asks being whole, a whole answer lies within a thousandth or two of the
    solver's; the network method finds the nearest, and leaves nothing where nothing was left.
    """
    graph: nx.MultiDiGraph[object] = nx.MultiDiGraph()
    least: dict[tuple[str, tuple[str, str]], int] = {}
    balance: dict[object, int] = {("source", one): -_whole(lpa) for one, lpa in supply.items()}
    balance |= {("ask", key): _whole(lpa) for key, lpa in asked.items()}
    left = {name: float(lpa) for name, lpa in supply.items()}
    for pair, flow in flows.items():
        if flow <= _NOTHING:
            continue
        source, ask = ("source", pair[0]), ("ask", pair[1])
        left[pair[0]] -= flow
        least[pair] = max(0, round(flow * 1000) - _ROOM)
        graph.add_edge(source, ask, key="nearer", capacity=_ROOM, weight=-1)
        graph.add_edge(source, ask, key="beyond", capacity=_ROOM, weight=1)
        balance[source] += least[pair]
        balance[ask] -= least[pair]
    for name, lpa in left.items():
        graph.add_edge(("source", name), "rest", key="", weight=2 if lpa < 0.01 else 0)
    balance["rest"] = -sum(balance.values())
    for node, demand in balance.items():
        graph.add_node(node, demand=demand)
    _, sent = nx.network_simplex(graph)
    exact = {
        (name, key): low + sum(sent["source", name]["ask", key].values())
        for (name, key), low in least.items()
    }
    return {pair: Decimal(whole) * _THOUSANDTH for pair, whole in exact.items() if whole > 0}


def _given_way(ask: Ask, found: Solution) -> Ask:
    """Return an ask less what it gave way by; never below its least by more than a thousandth."""
    if not ask.ease or round(float(found.activity[f"out {ask.load}"][0])):
        return ask
    less = Decimal(repr(float(found.activity[_less(ask)][0])))
    return replace(ask, lpa=(ask.lpa - less).quantize(_THOUSANDTH, rounding=ROUND_DOWN))


def _whole(lpa: Decimal) -> int:
    return int((lpa / _THOUSANDTH).to_integral_exact())


def _place(source: Source) -> str:
    return f"source {source.name}"


def _rest(source: Source) -> str:
    return f"rest {source.name}"


def _remnant(source: Source) -> str:
    return f"remnant {source.name}"


def _node(ask: Ask) -> str:
    return f"ask {ask.load}|{ask.liquid}"


def _less(ask: Ask) -> str:
    return f"less {ask.load}|{ask.liquid}"


def _lane(source: Source, ask: Ask) -> str:
    return f"{source.name}|{ask.load}|{ask.liquid}"
