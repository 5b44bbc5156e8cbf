"""The search over plans of items: prices, bound, choice, and neighbourhoods of the best plan.

1. Prices from the relaxation, of an earlier solve, or none; rounds of pricing on coarse and on fine
   grids (`generate`).
2. The bound at the last prices, from grids rounded outwards (`dynamic`).
3. From a plan made before: its plans of items, those that gain by it moved (`repair`).
4. A choice of one plan for every item: many roundings near the relaxation (`rounding`) and a pick
   by search (`master`); where the rest is hard, fixing and pricing in turn (`price_dive`).
5. Its counts held fast in the program, the best plan with them (`completion`).
6. Neighbourhoods: some items choose again, among plans priced anew while the others keep theirs;
   windows of a hard rest.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.column_generation.completion import Completion, WholePlan
from bulkflow.core.column_generation.diving import dive_by_prices
from bulkflow.core.column_generation.exact import ExactPlans
from bulkflow.core.column_generation.generate import Generator, Relaxed
from bulkflow.core.column_generation.pricing import Pricer
from bulkflow.core.column_generation.rest import with_rounding_rows
from bulkflow.core.column_generation.restricted_master import RestrictedMaster, Shared
from bulkflow.core.column_generation.rounding import Rounding
from bulkflow.core.column_generation.subproblems import Decomposition, find_subproblems
from bulkflow.core.column_generation.warm_start import Repair
from bulkflow.core.deadline import Deadline
from bulkflow.core.heuristics.polish import solve_fixed
from bulkflow.core.highs import HighsSession, SessionLeftError
from bulkflow.core.options import SolveOptions
from bulkflow.core.prices import PriceKey, prices_by_rule, prices_of_rows
from bulkflow.core.program import Program
from bulkflow.core.values import NetworkData

__all__ = ["ColumnGeneration", "Listening", "is_worth_it"]

FloatArray = NDArray[np.float64]

# Fewer whole columns than this are the solver's own business.
_LEAST_WHOLE = 150
# Items must hold at least this share of the whole columns.
_LEAST_SHARE = 0.4
# Entries from which the relaxation takes longer than finding prices from nothing.
_LARGE = 250_000
_COARSE_NODES = 64
_REPAIR_NODES = 32
_FINE_NODES = 256
# The bound's grid: as fine as this many nodes over all items and periods allow.
_BOUND_CELLS = 40_000_000
_MOST_BOUND_NODES = 1024
_ROUNDS = 60
_ROUND_TRIES = 300
_ROUND_SHARE = 0.15
# Part of the items thrown about between tries; how the penalty follows what the master says.
_THROWN = 0.2
_HARDER, _SOFTER = 1.25, 0.97
_PICK_NODES = 2_000
_PICK_SHARE, _HARD_PICK_SHARE = 0.5, 0.25
_IN_TURN_SHARE, _LATER_SHARE = 0.5, 0.15
# Shares of the time for generating plans: a plan of the whole is wanted, too.
_COARSE_SHARE, _FINE_SHARE = 0.6, 0.4
_CHOICE_SHARE, _WINDOWS_SHARE = 0.2, 0.7
_LEAST_SECONDS = 0.2
_NEAR_SHARE = 0.12
# A choice this near its relaxation is good enough to go on with.
_NEAR_RELAXED = 5e-4
# With more whole columns in a period than this the rest takes a way of its own.
_HARD_REST = 3
_WHOLE = 1e-6
# Relative difference of cost below which two plans are alike; the plan at hand is then kept.
_TIE = 1e-7
# Plans of an item that a first pick chooses from: more make the search slow, fewer have no answer.
_PICK_FROM = 5
# A plan with this share of its item is chosen.
_CHOSEN = 0.999
_NO_SHARE = 1e-6
_NEIGHBOURS = 6
_NEIGHBOUR_NODES = 200
# A plan of before is repaired this often; no item moves for less than its part of this share of
# the gap aimed at.
_REPAIRS = 3
_REGRET = 0.25
# Nearer to the bound than this a repaired plan need not be to go on from.
_REPAIRED_GAP, _REPAIRED_HARD_GAP = 5e-3, 1e-2


class Listening(Protocol):
    """Takes in what the search finds; objectives and bounds minimised."""

    def bounded(self, bound: float) -> None:
        """Take in a proved bound."""

    def planned(self, plan: WholePlan) -> None:
        """Take in a plan."""

    def gap(self) -> float:
        """Return the gap so far."""


def is_worth_it(program: Program, split: Decomposition) -> bool:
    """Tell whether a program is large enough, and made of items enough."""
    whole = int(program.integer.sum())
    mine = int((program.integer & (split.owner >= 0)).sum())
    return whole >= _LEAST_WHOLE and mine >= _LEAST_SHARE * whole and len(split.items) > 1


@dataclass(slots=True)
class _Best:
    """The best plan: its value, its values, the plans of its items in the master."""

    plan: WholePlan
    places: list[int]


class ColumnGeneration:
    """See the module.

    Parameters
    ----------
    program : of the network, without cumulative columns.
    """

    def __init__(
        self,
        data: NetworkData,
        program: Program,
        options: SolveOptions,
        deadline: Deadline,
        listening: Listening,
    ) -> None:
        self.options, self.deadline, self.listening = options, deadline, listening
        self.program, implied = with_rounding_rows(data, program)
        self.rows_added = self.program.rows - program.rows
        self.split = find_subproblems(data, self.program)
        self.shared = Shared(self.split, implied)
        self.best: _Best | None = None
        self.rounds = 0
        self._best_bound = -np.inf
        self._near: FloatArray | None = None
        self._bounded_at = np.zeros(len(self.shared.rows))
        self.is_large = self.program.matrix.nnz > _LARGE
        rest = (self.split.owner < 0) & self.program.integer
        self.rest_is_hard = int(rest.sum()) > _HARD_REST * self.program.periods

    def run(
        self, start: FloatArray | None, known: Mapping[PriceKey, FloatArray] | None = None
    ) -> None:
        """Search until the gap asked for, the deadline or the end of ideas.

        Parameters
        ----------
        start : column values of a plan to start from.
        known : prices of rows to start from.
        """
        prices = self._known_prices(known or {})
        if prices is None:
            prices = self._first_prices()
        if prices is None:
            return
        self.exact = ExactPlans(self.split)
        self.completion = Completion(self.program, self.split, seed=self.options.seed)
        self.master = RestrictedMaster(self.shared, seed=self.options.seed)
        try:
            self._search(prices, start)
        except SessionLeftError:
            # A run did not end in time; what was found before stands.
            return
        finally:
            self.master.close()
            self.completion.close()
            self.exact.close()

    def final_prices(self) -> dict[PriceKey, FloatArray]:
        """Return the prices of the best bound."""
        return prices_by_rule(self.program, self.shared.rows, self._bounded_at)

    def _known_prices(self, known: Mapping[PriceKey, FloatArray]) -> FloatArray | None:
        """Return prices of the shared rows from those of another solve, if they are of any use."""
        if not known:
            return None
        prices = prices_of_rows(self.program, self.shared.rows, known)
        return self.shared.in_range(prices) if prices.any() else None

    def _first_prices(self) -> FloatArray | None:
        """Return prices from the relaxation, or none at all where that would take long."""
        if self.is_large:
            return np.zeros(len(self.shared.rows))
        with HighsSession(self.program, seed=self.options.seed, relaxed=True) as session:
            answer = session.solve_lp(self.deadline)
        if answer.row_prices is None:
            return None
        self.listening.bounded(answer.objective)
        return answer.row_prices[self.shared.rows]

    def _search(self, prices: FloatArray, start: FloatArray | None) -> None:
        nothing = {
            number: tuple(int(np.ceil(one.fewest - 1e-6)) for one in item.sendings)
            for number, item in enumerate(self.split.items)
        }
        first = self.exact.plans(nothing, self.program.cost, self.deadline)
        if len(first) < len(self.split.items):
            return
        self.master.add_plans(first)
        generator = Generator(self.shared, self.master, self.exact, prices)
        coarse = Pricer(self.split, _COARSE_NODES, outer=False, together=True)
        self._begin(generator, start)
        if not self._over():
            self._find(generator, coarse)

    def _begin(self, generator: Generator, start: FloatArray | None) -> None:
        """Take up the start and repair it; prove a first bound."""
        self._bound(generator.best_prices, _COARSE_NODES)
        if start is None or not np.isfinite(start[self.completion.counts]).all():
            return
        self._near = start
        aim = max(self.options.gap, _REPAIRED_HARD_GAP if self.rest_is_hard else _REPAIRED_GAP)
        repair = Repair(
            generator,
            Pricer(self.split, _REPAIR_NODES, outer=False, together=True),
            self.deadline,
            bonus=_REGRET * aim * abs(self._best_bound) / len(self.split.items),
            gap=0.5 * aim,
            max_nodes=self.options.max_nodes,
        )
        self._repair(repair, start, aim)
        if self.best is None and not self._over():
            # Its quantities may be another network's: only what is whole is taken from it.
            self._take(np.where(self.program.integer, start, np.nan), aim)

    def _repair(self, repair: Repair, start: FloatArray, aim: float) -> None:
        """Complete the plans of the start, or what they become where that is not good enough."""
        enough = aim * abs(self._best_bound)
        choices = repair.choices(start)
        for _ in range(_REPAIRS):
            if choices is None or self._over():
                return
            value, values = repair.kept(choices)
            if value > self._best_bound + enough:
                values = repair.moved(choices, self._best_bound + enough)
            if values is None or not self._complete(values, aim) or self.best is None:
                return
            choices = [[place] for place in self.best.places]

    def _find(self, generator: Generator, coarse: Pricer) -> None:
        """Generate plans, find a plan of the whole and better it."""
        current = self._generate(generator, coarse)
        if current is None or self._over():
            return
        if self.rest_is_hard:
            self._dive(generator, coarse, current)
        dived = self.rest_is_hard and self.best is not None
        if not dived:
            self._round(generator, current)
        if self.is_large:
            self._bound(generator.best_prices)
        if not dived:
            self._pick(generator, current)
        if self.rest_is_hard:
            self._search_windows()
        self._improve(generator, coarse)

    def _generate(self, generator: Generator, coarse: Pricer) -> Relaxed | None:
        """Generate plans on a coarse and on a fine grid; prove the bound of the last prices."""
        rounds = _ROUNDS if self.options.max_rounds is None else self.options.max_rounds
        part = self.deadline.share(_COARSE_SHARE)
        current = generator.run(coarse, part, rounds=rounds)
        if current is None or self._over():
            self._bound(generator.best_prices, _COARSE_NODES)
            return None
        if part.reason_to_stop() is None:
            part = self.deadline.share(_FINE_SHARE)
            fine = Pricer(self.split, _FINE_NODES, outer=False)
            current = generator.run(fine, part, rounds=3, current=current)
        self.rounds = generator.rounds
        # The bound of a large program takes a while: a plan comes first.
        self._bound(generator.best_prices, _COARSE_NODES if self.is_large else None)
        return current

    def _over(self) -> bool:
        if self.deadline.reason_to_stop() is not None:
            return True
        return self.listening.gap() <= self.options.gap

    def _bound(self, row_prices: FloatArray, nodes: int | None = None) -> None:
        """Prove a bound at these prices, by default on as fine a grid as the size allows."""
        prices = self.shared.column_prices(row_prices)
        value = self.shared.value_without_items(row_prices, prices)
        together = nodes is not None
        if nodes is None:
            # An item's grid is some ten vehicles wide.
            cells = 10.0 * len(self.split.items) * self.program.periods
            nodes = int(min(_MOST_BOUND_NODES, max(_FINE_NODES, _BOUND_CELLS / cells)))
        outer = Pricer(self.split, nodes, outer=True, together=together)
        least = outer.values(prices)
        # Prices of another program may leave an item without a least cost: no bound, then.
        bound = -np.inf if np.isneginf(least).any() else value + float(least.sum())
        self.listening.bounded(bound)
        if bound > self._best_bound:
            self._best_bound, self._bounded_at = bound, row_prices

    # Plans ---------------------------------------------------------------------------------

    def _dive(self, generator: Generator, pricer: Pricer, current: Relaxed) -> None:
        """Choose plans by fixing and pricing; what that leaves open, in the program itself."""
        chosen = dive_by_prices(generator, pricer, current, self.deadline)
        target = chosen.objective + _NEAR_RELAXED * abs(chosen.objective)
        steps = list(chosen.steps)
        while not self._over():
            places = {item: place for step in steps for item, place in step.items()}
            values = np.zeros(self.program.columns)
            for place in places.values():
                plan = self.master.plans[place]
                values[plan.columns] += plan.values
            free = [item for item in range(len(self.split.items)) if item not in places]
            part = self.deadline.share(_CHOICE_SHARE)
            found = self.completion.choose(values, free, part, target)
            if found is not None:
                self._take(found)
                return
            if not steps:
                return
            steps.pop()

    def _search_windows(self) -> None:
        """Search windows of the rest of the best plan again."""
        if self.best is None or self._over():
            return
        part = self.deadline.share(_WINDOWS_SHARE)
        found = self.completion.search_windows(self.best.plan, part)
        self._keep(found)

    def _round(self, generator: Generator, current: Relaxed) -> None:
        """Complete the best of many choices near the relaxation, each a step from the best."""
        prices = self.shared.column_prices(generator.best_prices)
        costs = [float(prices[plan.columns] @ plan.values) for plan in self.master.plans]
        rounding = Rounding(self.master, current, np.array(costs))
        rng = np.random.default_rng(self.options.seed)
        part = self.deadline.share(_ROUND_SHARE)
        choice, penalty = rounding.first(), rounding.usual_penalty
        best: tuple[float, FloatArray] | None = None
        for attempt in range(_ROUND_TRIES):
            if part.reason_to_stop() is not None:
                break
            start = choice if not attempt else rounding.thrown(choice, rng, _THROWN)
            tried = rounding.settled(start, rng, penalty)
            self.master.choose_from({item: [place] for item, place in enumerate(tried)})
            answer = self.master.solve(self.deadline)
            penalty *= _HARDER if answer.values is None else _SOFTER
            if answer.values is not None and (best is None or answer.objective < best[0]):
                best, choice = (answer.objective, answer.values), tried
        self.master.choose_from(None)
        if best is not None and not self._over():
            self._complete(best[1])

    def _pick(self, generator: Generator, current: Relaxed) -> None:
        """Pick one plan for every item among its best, of more if these do not go together.

        Items of which the relaxation has chosen one plan keep it at first.
        """
        settled = {
            self.master.plans[place].item: [place]
            for place in np.flatnonzero(current.shares > _CHOSEN).tolist()
        }
        each = _PICK_FROM
        while not self._over():
            share = _HARD_PICK_SHARE if self.rest_is_hard else _PICK_SHARE
            part = self.deadline.share(share)
            self.master.choose_from(self._with_best(self._nearest(generator, each) | settled))
            answer = self.master.pick(
                part, gap=0.2 * self.options.gap, max_nodes=self._nodes(), start=self._as_start()
            )
            self.master.choose_from(None)
            if answer.values is not None:
                self._complete(answer.values)
            if self.best is not None or each > len(self.master.plans):
                return
            each = each if settled else each * 2
            settled = {}

    def _with_best(self, allowed: dict[int, list[int]]) -> dict[int, list[int]]:
        """Return what is allowed with the plans of the best plan besides."""
        if self.best is None:
            return allowed
        places = self.best.places
        return {item: [*plans, places[item]] for item, plans in allowed.items()}

    def _nearest(self, generator: Generator, each: int) -> dict[int, list[int]]:
        """Return, by item, the plans that cost least at the best prices."""
        prices = self.shared.column_prices(generator.best_prices)
        costs: dict[int, list[tuple[float, int]]] = {}
        for place, plan in enumerate(self.master.plans):
            cost = float(prices[plan.columns] @ plan.values)
            costs.setdefault(plan.item, []).append((cost, place))
        return {item: [place for _, place in sorted(plans)[:each]] for item, plans in costs.items()}

    def _nodes(self) -> int:
        return _PICK_NODES if self.options.max_nodes is None else self.options.max_nodes

    def _as_start(self) -> list[int] | None:
        return None if self.best is None else self.best.places

    def _complete(self, picked: FloatArray, aim: float | None = None) -> bool:
        """Complete a solution of the master; tell whether it is the best so far."""
        shares = self.master.shares(picked)
        chosen = [-1] * len(self.split.items)
        values = np.zeros(self.program.columns)
        values[self.shared.rest] = picked[: len(self.shared.rest)]
        for place in np.argsort(-shares, kind="stable").tolist():
            if shares[place] <= _NO_SHARE:
                break
            plan = self.master.plans[place]
            if chosen[plan.item] < 0:
                chosen[plan.item] = place
            # Plans that differ in quantities only may share an item.
            if plan.counts == self.master.plans[chosen[plan.item]].counts:
                values[plan.columns] += shares[place] * plan.values
        if min(chosen) < 0 or (self.best is not None and chosen == self.best.places):
            return False
        return self._take(values, aim)

    def _take(self, values: FloatArray, aim: float | None = None) -> bool:
        """Complete the counts in values of the program's columns; keep what comes if better.

        Parameters
        ----------
        aim : relative gap aimed at; by default the one asked for.
        """
        whole = np.round(values[self.completion.counts])
        if self.rest_is_hard and not self._is_whole(values):
            share = _IN_TURN_SHARE
            part = self.deadline.share(share, least=_LEAST_SECONDS)
            plan = self._settled_near(whole, aim) or self.completion.settle(whole, part)
        else:
            if self.best is None and self.is_large:
                soon = self.completion.round_up(whole, self.deadline)
                if soon is not None:
                    self._keep(soon)
            part = self.deadline.share(_LATER_SHARE, least=_LEAST_SECONDS)
            plan = self.completion.complete(
                whole,
                part,
                gap=0.2 * (aim or self.options.gap),
                start=values if np.isfinite(values[self.completion.rest]).all() else None,
            )
        return plan is not None and self._keep(plan)

    def _settled_near(self, whole: FloatArray, aim: float | None) -> WholePlan | None:
        """Return a plan close to the start within the gap aimed at, if there is a start."""
        if self._near is None or aim is None or not np.isfinite(self._best_bound):
            return None
        part = self.deadline.share(_NEAR_SHARE)
        target = self._best_bound + aim * abs(self._best_bound)
        return self.completion.settle_near(whole, self._near, part, target)

    def _keep(self, plan: WholePlan) -> bool:
        """Keep a plan if it is better; tell whether it was kept."""
        if self.rest_is_hard:
            # A search that ends at its gap may leave slack that costs.
            exact = solve_fixed(self.program, plan.values, self.deadline)
            if exact.values is not None and exact.objective <= plan.objective:
                plan = WholePlan(exact.objective, exact.values)
        least = _TIE * abs(plan.objective)
        if self.best is not None and plan.objective >= self.best.plan.objective - least:
            return False
        places = self.master.places(self.exact.plans_in(plan.values))
        self.best = _Best(plan, places)
        self.listening.planned(plan)
        return True

    def _is_whole(self, values: FloatArray) -> bool:
        """Tell whether the rest's whole columns are."""
        rest = values[self.completion.rest]
        return bool((np.abs(rest - np.round(rest)) < _WHOLE).all())

    # Neighbourhoods ------------------------------------------------------------------------

    def _improve(self, generator: Generator, pricer: Pricer) -> None:
        """Let ever other sets of items choose again; larger ones where that is quickly settled.

        Ends when all items together have nothing better.
        """
        items = len(self.split.items)
        rng = np.random.default_rng(self.options.seed)
        size = float(min(items, _NEIGHBOURS))
        turn = 0
        while not self._over() and self.best is not None:
            chosen = set(rng.choice(items, int(size), replace=False).tolist())
            turn += 1
            if turn % 2 or self.rest_is_hard:
                self.master.hold_rest(self.best.plan.values)
            nodes = self._neighbourhood(generator, pricer, chosen)
            self.master.hold_rest(None)
            if size >= items and nodes < _NEIGHBOUR_NODES:
                return
            grow = 1.15 if nodes < _NEIGHBOUR_NODES / 10 else 1.0
            size = size * grow if nodes < _NEIGHBOUR_NODES else 0.85 * size
            size = min(float(items), max(size, 2.0))

    def _neighbourhood(self, generator: Generator, pricer: Pricer, chosen: set[int]) -> int:
        """Let some items choose again; return the nodes that took."""
        if self.best is None:
            return 0
        kept = {item: [place] for item, place in enumerate(self.best.places) if item not in chosen}
        try:
            self.master.choose_from(kept)
            found: Relaxed | None = generator.relaxed(self.deadline)
            if found is not None:
                found = generator.refine(pricer, found, chosen, self.deadline, 2)
            if found is None or found.objective >= self.best.plan.objective:
                return 0
            answer = self.master.pick(
                self.deadline.share(0.2, least=0.3),
                gap=0.2 * self.options.gap,
                max_nodes=_NEIGHBOUR_NODES,
                start=self._as_start(),
            )
        finally:
            self.master.choose_from(None)
        if answer.values is not None:
            self._complete(answer.values)
        return answer.nodes
