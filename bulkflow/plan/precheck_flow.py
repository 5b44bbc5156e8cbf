"""Sites and lanes unrolled over the periods, the most that can flow to demand, and what limits it.

For a target liquid every liquid that can become it is counted in what it can become ("LPA of
DRY that this neutral spirit can give"), so that conversion keeps amounts and a plain maximum
flow bounds what any plan can serve in time. The bound is generous on purpose: a recipe with
several inputs may run on any of them, losses on the way and other liquids' use are left out. So
what it calls short is short. The minimum cut nearest to the demand names what limits it.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import networkx as nx
import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import breadth_first_order, maximum_flow

from bulkflow.plan.checks.asked import asked_for
from bulkflow.plan.checks.position import Position
from bulkflow.plan.precheck_loads import fills, lane_capacity
from bulkflow.scenario.model import Lane, LoadRow, LoadState, Recipe, Site, Still

__all__ = ["Limiter", "Shortfall", "find_shortfalls", "find_unfilled", "unroll"]

SOURCE, SINK = "source", "sink"
# Flows are counted in whole LPA for the solver; capacities are rounded up so that the bound holds.
UNLIMITED = 1_000_000_000
# A shortfall below this share of the demand may be rounding of capacities to whole LPA.
SMALLEST_SHARE = 0.001
MOST_ROUNDS = 60  # of the yields: feints redistilled again and again converge long before


@dataclass(frozen=True, slots=True)
class Limiter:
    """Something that limits what reaches the demand: in words, its record, and in which periods."""

    words: str
    record: str
    periods: frozenset[int]
    lpa: float


@dataclass(frozen=True, slots=True)
class Shortfall:
    """Demand that cannot be served in time, and the minimum cut that says why.

    Parameters
    ----------
    liquids : the liquids counted together.
    asked : where and when the demand is that exceeds what can reach it: (site, liquid, periods).
    demand_lpa, most_lpa : what is asked for there, and the most that can come in time.
    """

    liquids: tuple[str, ...]
    asked: tuple[tuple[str, str, frozenset[int]], ...]
    demand_lpa: float
    most_lpa: float
    limiters: tuple[Limiter, ...]

    @property
    def sites(self) -> tuple[str, ...]:
        """The sites of the demand."""
        return tuple(sorted({site for site, _, _ in self.asked}))

    @property
    def periods(self) -> frozenset[int]:
        """All periods in which any of them asks."""
        return frozenset().union(*(periods for _, _, periods in self.asked))


def find_shortfalls(position: Position, unreachable: set[tuple[str, str]]) -> list[Shortfall]:
    """Return the demand that cannot be served in time, by liquid and, if more, for all together.

    ``unreachable`` pairs of site and liquid are left out: nothing reaches them at all.
    """
    wanted = sorted({liquid for _, liquid, _, _ in asked_for(position)})
    found = [short for liquid in wanted for short in _short(position, {liquid}, unreachable)]
    if len(wanted) > 1:
        told = sum(one.demand_lpa - one.most_lpa for one in found)
        together = _short(position, set(wanted), unreachable)
        if sum(one.demand_lpa - one.most_lpa for one in together) > told * 1.01 + 1.0:
            found += together
    return found


def find_unfilled(position: Position) -> list[Shortfall]:
    """Return the loads promised or frozen for which there cannot be enough in time, by liquid.

    A promised load takes its least fill, a frozen one what it is given with.
    """
    asked: dict[str, dict[tuple[str, int], float]] = defaultdict(lambda: defaultdict(float))
    for row in position.scenario.loads:
        period = position.days.period_of(row.departs_on)
        if row.state is LoadState.UNDER_WAY or period not in position.periods:
            continue
        lane = position.lanes[row.lane]
        asked[row.liquid][lane.origin, period] += row.lpa or _least_lpa(position, lane, row)
    return [
        short
        for liquid, needs in sorted(asked.items())
        for short in _short(position, {liquid}, set(), needs)
    ]


def _least_lpa(position: Position, lane: Lane, row: LoadRow) -> float:
    tank = next((one for one in lane.tanks if one.tank_type == row.tank_type), None)
    found = fills(position, lane, tank, row.liquid) if tank is not None else []
    return min((one.min_lpa for one in found if not one.refused), default=0.0)


def unroll(position: Position, targets: set[str]) -> nx.MultiDiGraph[Any]:
    """Return places and lanes unrolled over the periods, for liquids that can become a target.

    Nodes are (place, liquid, period), with ``made`` or ``asked`` behind for what is made in the
    period and what is asked for; edges carry ``capacity`` (LPA of the target they can
    give), ``words``, ``record`` and ``period``. A source feeds what is there, comes and is made;
    a sink takes the demand.
    """
    return _Unrolled(position, targets).graph


class _Unrolled:
    def __init__(self, position: Position, targets: set[str]) -> None:
        self.position, self.targets = position, targets
        self.yields = _yields(position, targets)
        self.graph: nx.MultiDiGraph[Any] = nx.MultiDiGraph()
        self._add_stocks()
        self._add_lanes()
        self._add_suppliers()
        self._add_openings()
        for site in position.scenario.sites:
            self._add_stills(site)
        self._add_let_downs()
        self._add_demand()

    def _edge(
        self, tail: Hashable, head: Hashable, lpa: float, words: str, record: str, period: int
    ) -> None:
        if lpa > 0:
            self.graph.add_edge(
                tail, head, capacity=min(lpa, UNLIMITED), words=words, record=record, period=period
            )

    def _add_stocks(self) -> None:
        position = self.position
        for site in position.scenario.sites:
            for liquid, worth in self.yields.items():
                litres = sum(one.capacity_litres for one in site.tanks if liquid in one.liquids)
                room = litres * position.liquids[liquid].strength_percent / 100.0 * worth
                words = f"tanks for {liquid} at {site.id}"
                for period in position.periods[:-1]:
                    self._edge((site.id, liquid, period), (site.id, liquid, period + 1), room,
                               words, f"sites[{site.id}]", period)  # fmt: skip

    def _add_lanes(self) -> None:
        position = self.position
        for lane in position.scenario.lanes:
            for liquid in lane.liquids:
                if liquid not in self.yields:
                    continue
                most = lane_capacity(position, lane, liquid) * self.yields[liquid]
                for period in position.periods:
                    days = position.days.of_lane(lane, period, liquid)
                    if days is not None and days.usable_period <= position.days.count:
                        self._edge(
                            (lane.origin, liquid, period),
                            (lane.destination, liquid, days.usable_period),
                            most, f"lane {lane.id}", f"lanes[{lane.id}]", period)  # fmt: skip

    def _add_suppliers(self) -> None:
        position = self.position
        for supplier in position.scenario.suppliers:
            for number, contract in enumerate(supplier.contracts):
                worth = self.yields.get(contract.liquid, 0.0)
                whole = ("contract", supplier.id, number)
                words = f"contract for {contract.liquid} with {supplier.id}"
                record = f"suppliers[{supplier.id}]"
                total = _or_unlimited(contract.maximum_lpa) * worth
                self._edge(SOURCE, whole, total, words, record, 0)
                each = _or_unlimited(contract.maximum_lpa_per_period) * worth
                for period in position.periods:
                    day = position.days.first(period)
                    if (contract.first_day or day) <= day <= (contract.last_day or day):
                        self._edge(whole, (supplier.id, contract.liquid, period), each, words,
                                   record, period)  # fmt: skip

    def _add_openings(self) -> None:
        position = self.position
        for account, words in (
            (position.opening, "opening stock"),
            (position.lots_released, "lots awaiting"),
        ):
            for ((site, liquid, _), period), lpa in account.items():
                self._edge(SOURCE, (site, liquid, max(1, period)),
                           lpa * self.yields.get(liquid, 0.0), f"{words} of {liquid} at {site}",
                           f"sites[{site}]", max(1, period))  # fmt: skip
        for row in position.scenario.loads:
            lane = position.lanes[row.lane]
            days = position.days.of_row(lane, row)
            if row.lpa is None or days is None or days.usable_period > position.days.count:
                continue
            node = (lane.destination, row.liquid, days.usable_period)
            self._edge(SOURCE, node, row.lpa * self.yields.get(row.liquid, 0.0),
                       f"load {row.load_id}", f"loads[{row.load_id}]",
                       days.usable_period)  # fmt: skip

    def _add_stills(self, site: Site) -> None:
        for still in site.stills:
            recipes = [self.position.recipes[one] for one in still.recipes]
            useful = [one for one in recipes if self._worth_of_charge(one) > 0]
            if not useful:
                continue
            for period in self.position.periods:
                enters, leaves = (("still", still.id, period, end) for end in ("in", "out"))
                most = max(self._most_of(site, still, one, period) for one in useful)
                self._edge(enters, leaves, most, f"still {still.id}",
                           f"sites[{site.id}].stills", period)  # fmt: skip
                for recipe in useful:
                    self._connect(site, recipe, period, enters, leaves)

    def _connect(
        self, site: Site, recipe: Recipe, period: int, enters: Hashable, leaves: Hashable
    ) -> None:
        """Join a still to what a recipe takes and makes."""
        for one in recipe.inputs:
            self._edge((site.id, one.liquid, period), enters, UNLIMITED, "", "", period)
        if recipe.feints_liquid in self.yields:
            stands = self._made_in(site.id, recipe.feints_liquid, period)
            self._edge(leaves, stands, UNLIMITED, "", "", period)
        if recipe.makes in self.yields:  # else it is run for its feints
            vats = site.release is not None
            entry = self.position.days.hearts_enter(period, recipe.days_to_vat, vats=vats)
            if entry <= self.position.days.count:
                self._edge(leaves, self._entered(site, recipe.makes, entry), UNLIMITED, "", "",
                           period)  # fmt: skip

    def _entered(self, site: Site, liquid: str, period: int) -> Hashable:
        """Return the node of what is made and enters S or H of a site in a period (eq. 6)."""
        if site.release is None:
            return self._made_in(site.id, liquid, period)
        vat, days = ("vats", site.id, liquid, period), self.position.days
        into = self.position.days_into(site, liquid)
        released = days.released(period, into, site.release.lag_days)
        if released <= days.count and not self.graph.has_edge(vat, (site.id, liquid, released)):
            self._edge(vat, (site.id, liquid, released), _judged_lpa(site) * self.yields[liquid],
                       f"judging of lots at {site.id}", f"sites[{site.id}].release",
                       period)  # fmt: skip
        return vat

    def _made_in(self, site: str, liquid: str, period: int) -> Hashable:
        """Return the node of what is made in a period: used from the next on, or asked for now."""
        made = (site, liquid, period, "made")
        if made not in self.graph:
            self._edge(made, (site, liquid, period, "asked"), UNLIMITED, "", "", period)
            if period < self.position.days.count:
                self._edge(made, (site, liquid, period + 1), UNLIMITED, "", "", period)
        return made

    def _worth_of_charge(self, recipe: Recipe) -> float:
        """Return LPA of the target that one LPA charged can give."""
        if recipe.method != "distil":
            return 0.0
        return _worth_of_outputs(recipe, self.yields)

    def _most_of(self, site: Site, still: Still, recipe: Recipe, period: int) -> float:
        """Return the most LPA of the target that a still can give by a recipe in a period."""
        share = self.position.days.open_share(period, still.shutdowns, site.closures)
        charges = still.hours_per_period * share / still.hours_per_charge
        if not still.continuous:
            charges = math.floor(charges + 1e-9)
        lpa = still.charge_litres * (recipe.charge_strength_percent or 0.0) / 100.0
        return charges * lpa * self._worth_of_charge(recipe)

    def _add_let_downs(self) -> None:
        for recipe in self.position.scenario.recipes:
            if recipe.method != "let_down" or recipe.makes not in self.yields:
                continue
            most = _or_unlimited(recipe.maximum_lpa_per_period) * self.yields[recipe.makes]
            for site in recipe.sites:
                later = int(self.position.sites[site].release is not None)
                for period in self.position.periods[: self.position.days.count - later]:
                    mixing = ("let down", site, recipe.id, period)
                    for one in recipe.inputs:
                        self._edge((site, one.liquid, period), mixing, UNLIMITED, "", "", period)
                    made = self._entered(self.position.sites[site], recipe.makes, period + later)
                    self._edge(mixing, made, most,
                               f"letting down by {recipe.id} at {site}",
                               f"recipes[{recipe.id}]", period)  # fmt: skip

    def _add_demand(self) -> None:
        for (site, liquid, _, _), by_period in asked_for(self.position).items():
            if liquid in self.targets:
                for period, lpa in by_period.items():
                    asked = (site, liquid, period, "asked")
                    self._edge((site, liquid, period), asked, UNLIMITED, "", "", period)
                    self._edge(asked, SINK, lpa, "demand", f"sites[{site}]", period)


def _or_unlimited(lpa: float | None) -> float:
    return float(UNLIMITED) if lpa is None else lpa


def _judged_lpa(site: Site) -> float:
    """Return the most LPA that panel and laboratory of a site can judge in a period."""
    release = site.release
    if release is None or release.vatting_maximum_lpa is None:
        return float(UNLIMITED)
    limits = [
        one
        for one in (release.panel_lots_per_period, release.laboratory_lots_per_period)
        if one is not None
    ]
    return min(limits) * release.vatting_maximum_lpa if limits else float(UNLIMITED)


def _worth_of_outputs(recipe: Recipe, yields: dict[str, float]) -> float:
    """Return LPA of the target that one LPA taken by a recipe can give, by all it makes."""
    if recipe.method == "let_down":
        return yields.get(recipe.makes, 0.0) * (1.0 - recipe.loss_percent / 100.0)
    hearts = yields.get(recipe.makes, 0.0) * (recipe.hearts_percent_of_lpa or 0.0) / 100.0
    feints = yields.get(recipe.feints_liquid or "", 0.0) * recipe.feints_percent_of_lpa / 100.0
    return hearts + feints


def _yields(position: Position, targets: set[str]) -> dict[str, float]:
    """Return the most LPA of the targets that one LPA of each liquid can give."""
    yields = dict.fromkeys(sorted(targets), 1.0)
    for _ in range(MOST_ROUNDS):
        before = dict(yields)
        for recipe in position.scenario.recipes:
            worth = _worth_of_outputs(recipe, yields)
            shares = sum(one.share_percent_of_lpa for one in recipe.inputs)
            for one in recipe.inputs:
                if worth > 0:
                    share = one.share_percent_of_lpa / shares
                    yields[one.liquid] = max(yields.get(one.liquid, 0.0), worth / share)
        if yields == before:
            break
    return yields


# --- maximum flow and the cut nearest to the demand -------------------------------------------


def _short(
    position: Position,
    targets: set[str],
    unreachable: set[tuple[str, str]],
    needs: Mapping[tuple[str, int], float] | None = None,
) -> list[Shortfall]:
    """Return what is short of the demand, or of ``needs`` by place and period in its stead."""
    graph = unroll(position, targets)
    graph.add_nodes_from((SOURCE, SINK))
    asked = list(graph.in_edges(SINK, keys=True))
    graph.remove_edges_from(
        [edge for edge in asked if needs is not None or edge[0][:2] in unreachable]
    )
    for (place, period), lpa in (needs or {}).items():
        for liquid in targets:
            graph.add_edge((place, liquid, period), SINK, capacity=lpa, words="", record="",
                           period=period)  # fmt: skip
    if not graph.in_degree(SINK):
        return []
    behind = _behind_cut(graph)
    if not behind:
        return []
    parts = nx.weakly_connected_components(graph.subgraph(behind - {SINK}))
    found = (_shortfall(graph, part, tuple(sorted(targets))) for part in parts)
    return [
        one
        for one in found
        if one.demand_lpa - one.most_lpa > max(1.0, SMALLEST_SHARE * one.demand_lpa)
    ]


def _behind_cut(graph: nx.MultiDiGraph[Any]) -> set[Any]:
    """Return the nodes on the demand's side of the minimum cut nearest to it."""
    nodes = list(graph)
    number = {node: place for place, node in enumerate(nodes)}
    merged: dict[tuple[int, int], float] = defaultdict(float)
    for tail, head, data in graph.edges(data=True):
        merged[number[tail], number[head]] += data["capacity"]
    rows, columns = (np.array([pair[end] for pair in merged]) for end in (0, 1))
    # Demand is rounded down and all else up: the bound stays on the generous side.
    amounts = np.array(list(merged.values()))
    whole = np.where(columns == number[SINK], np.floor(amounts), np.ceil(amounts))
    whole = np.minimum(whole, UNLIMITED).astype(np.int32)
    square = (len(nodes), len(nodes))
    matrix: Any = csr_array((whole, (rows, columns)), shape=square)
    result = maximum_flow(matrix, number[SOURCE], number[SINK])
    if result.flow_value >= int(whole[columns == number[SINK]].sum(dtype=np.int64)):
        return set()
    residual: Any = csr_array(matrix - result.flow)
    residual.data = (residual.data > 0).astype(np.int32)
    residual.eliminate_zeros()
    order = breadth_first_order(
        csr_array(residual.T), number[SINK], directed=True, return_predecessors=False
    )
    return {nodes[place] for place in order}


def _shortfall(
    graph: nx.MultiDiGraph[Any], part: Iterable[Hashable], liquids: tuple[str, ...]
) -> Shortfall:
    """Return what one part behind the cut asks for, and what can come in across the cut."""
    inside = set(part)
    asked: dict[tuple[str, str], set[int]] = defaultdict(set)
    demand = 0.0
    for tail, _, data in graph.in_edges(SINK, data=True):
        if tail in inside:
            demand += data["capacity"]
            asked[tail[0], tail[1]].add(data["period"])
    crossing: dict[tuple[str, str], list[tuple[int, float]]] = defaultdict(list)
    for tail, _, data in graph.in_edges(inside, data=True):
        if tail not in inside:
            crossing[data["words"], data["record"]].append((data["period"], data["capacity"]))
    limiters = [
        Limiter(words, record, frozenset(period for period, _ in cuts if period),
                sum(lpa for _, lpa in cuts))
        for (words, record), cuts in crossing.items()
    ]  # fmt: skip
    limiters.sort(key=lambda one: (-one.lpa, one.words))
    return Shortfall(
        liquids,
        tuple((*key, frozenset(periods)) for key, periods in sorted(asked.items())),
        demand,
        sum(one.lpa for one in limiters),
        tuple(limiters),
    )
