"""The strong way to an answer: prices or rows for the bound, plans of our own, then the search.

1. Cumulative counts as columns (`bulkflow.core.cumulative`).
2. Some plan soon: a few rounds and a dive, or a plan made before taken up (`bulkflow.core.resume`).
3. Where most of what is whole belongs to items, the search over their plans
   (`bulkflow.core.items`); it mostly ends the matter.
4. Rounds of strengthening at the root (`bulkflow.core.root_loop`): rows of single windows first,
   combined ones when those are exhausted; dives from their end.
5. Where the gap is wide, whole columns window by window (`bulkflow.core.rolling`); else the
   neighbourhood of the relaxation (`bulkflow.core.neighbourhood`).
6. The search by HiGHS with the rows that were tight at the end, from the best plan known.

The bound reported is the best of the prices', the root's and the search's: all come from
relaxations.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bulkflow.core.batch_rows import BatchRow, StationCuts
from bulkflow.core.cumulative import CumulativeProgram, with_cumulative_counts
from bulkflow.core.deadline import Deadline
from bulkflow.core.dive import DiveRule, dive
from bulkflow.core.flow_rows import FlowCuts
from bulkflow.core.highs import HighsSession, MipAnswer
from bulkflow.core.items.completion import WholePlan
from bulkflow.core.items.search import ItemSearch, is_worth_it
from bulkflow.core.mixing_rows import MixingCuts
from bulkflow.core.neighbourhood import around_plan, around_relaxation, search_part
from bulkflow.core.options import SolveOptions
from bulkflow.core.outcome import OutcomeStatus, StoppedBy, relative_gap
from bulkflow.core.prices import PriceKey
from bulkflow.core.program import ColumnKind, Program
from bulkflow.core.resume import freed_lanes, resume
from bulkflow.core.rolling import (
    RollLimits,
    groups_of_columns,
    improve_by_windows,
    roll_forward,
)
from bulkflow.core.root_loop import (
    CutPool,
    RootLimits,
    RootPhase,
    RootResult,
    RowSource,
    rows_as_block,
    strengthen_in_phases,
)
from bulkflow.core.stations import find_stations
from bulkflow.core.values import NetworkData

__all__ = ["StrongAnswer", "root_phases", "solve_strong", "with_rows"]

FloatArray = NDArray[np.float64]
Listener = Callable[[str, float | None, float], None]

# The root gets at most this share of the time: a plan is worth more than the last of the bound.
_ROOT_SHARE = 0.4
# The neighbourhood of the relaxation comes before the search: its plan is worth more than the
# same time spent at the search's own root.
_NEARBY_SHARE = 0.6
_NEARBY_GAP = 1e-4
_GOOD_GAP = 3e-3
# Above this gap the whole columns are settled window by window first, in at most this share of
# the time left.
_ROLL_GAP = 5e-3
_ROLL_SHARE = 0.55
_ROLL_NODES = 400
_FEW_TO_ROLL = 200
# A plan settled window by window within this gap leaves nothing to find near the relaxation.
_NEAR_GAP = 5e-2
# From a plan made before, rows that it keeps with less than this to spare (in loads) are there
# from the first round.
_SPARE = 0.6
_ROWS_OF_A_PLAN = 20
_EARLY_SHARE = 0.06
_FREED_LANES = 6
_DIVE_SHARE = 0.25
_DIVES = (DiveRule(), DiveRule(up_from=0.4))
_NEARBY_NODES = 200


@dataclass(frozen=True, slots=True)
class StrongAnswer:
    """An answer in the columns of the original program, and the work it took.

    Parameters
    ----------
    prices : of rows, where a bound was proved by prices.
    """

    answer: MipAnswer
    rows_added: int
    rounds: int
    prices: Mapping[PriceKey, FloatArray] = field(default_factory=dict)


def solve_strong(
    data: NetworkData,
    program: Program,
    options: SolveOptions,
    deadline: Deadline,
    start: FloatArray | None,
    listener: Listener,
) -> StrongAnswer:
    """Solve a program with whole columns.

    Parameters
    ----------
    start : values of the original columns of a plan to start from, NaN where it knows none.
    listener : called with the phase, the best objective (or None) and the bound, minimised.
    """
    extended = with_cumulative_counts(program)
    news = _News(listener, deadline)
    # Made when they are first asked for: a search over items may end without them.
    phases = cache(lambda: root_phases(data, extended))
    search = _opening(data, program, extended, phases, options, deadline, start, news)
    prices = {} if search is None else search.final_prices()
    if news.gap() <= options.gap or (news.values is not None and deadline.reason_to_stop()):
        done = news.best_of(_ended(news, options, deadline))
        if done.values is not None:
            done.values = extended.original(done.values)
        if search is None:
            return StrongAnswer(done, 0, 0)
        return StrongAnswer(done, search.rows_added, search.rounds, prices)
    root, rows = _root(extended, phases, options, deadline, news)
    strengthened = with_rows(extended.program, rows)
    answer = _ended_at_root(root, news, options, deadline)
    # A horizon of one window is the whole search at once, and what is small the search has soon;
    # without whole vehicles there is nothing near the relaxation but what it looks at itself.
    many = program.periods > RollLimits().window and program.integer.sum() > _FEW_TO_ROLL
    rolled = answer is None and many and news.gap() > _ROLL_GAP
    if rolled:
        _roll(data, strengthened, options, deadline, news)
        answer = _ended_at_root(root, news, options, deadline)
    near = news.gap() <= _NEAR_GAP if rolled else not _has_vehicles(program)
    if answer is None and root.values is not None and not near:
        _nearby(extended, strengthened, root.values, options, deadline, news)
        answer = _ended_at_root(root, news, options, deadline)
    if answer is None:
        with HighsSession(strengthened, threads=options.threads, seed=options.seed) as session:
            if news.values is not None:
                session.propose(news.values)
            answer = session.solve_mip(
                deadline, gap=options.gap, max_nodes=options.max_nodes, listener=news.hear
            )
    answer = news.best_of(answer)
    if answer.values is not None:
        answer.values = extended.original(answer.values)
    return StrongAnswer(answer, len(rows), root.rounds, prices)


def _has_vehicles(program: Program) -> bool:
    return any(kind is ColumnKind.VEHICLES for kind, _, _ in program.blocks)


def _roll(
    data: NetworkData,
    program: Program,
    options: SolveOptions,
    deadline: Deadline,
    news: _News,
) -> None:
    """Settle the whole columns window by window, then search windows of the plan found."""
    part = deadline
    if np.isfinite(deadline.remaining()):
        part = deadline.part(_ROLL_SHARE * deadline.remaining())
    groups = groups_of_columns(data, program)
    nodes = _ROLL_NODES if options.max_nodes is None else options.max_nodes
    limits = RollLimits(nodes=nodes)
    found = roll_forward(program, groups, part, limits, threads=options.threads, seed=options.seed)
    if found is None or found.values is None or found.objective is None:
        return
    news.keep(found.values, found.objective)
    values, objective = improve_by_windows(
        program,
        groups,
        found.values,
        found.objective,
        part,
        replace(limits, gap=_NEARBY_GAP),
        threads=options.threads,
        seed=options.seed,
    )
    news.keep(values, objective)


def root_phases(data: NetworkData, extended: CumulativeProgram) -> list[RootPhase]:
    """Return what looks for strengthening rows in a program, in the order of its use."""
    stations = find_stations(data, extended)
    single: list[RowSource] = [
        *(StationCuts(number, station) for number, station in enumerate(stations)),
        FlowCuts(data, extended.program),
    ]
    mixed = [MixingCuts(number, station) for number, station in enumerate(stations)]
    return [
        RootPhase(single, RootLimits(least_violation=3e-3)),
        RootPhase([*single, *mixed], RootLimits(rows_per_source=3, least_violation=1e-2)),
    ]


def with_rows(program: Program, rows: Sequence[BatchRow]) -> Program:
    """Return a program with strengthening rows at its end."""
    if not rows:
        return program
    matrix, lower, upper = rows_as_block(rows, program.columns)
    return replace(
        program,
        matrix=sparse.csr_array(sparse.vstack([program.matrix, matrix])),
        row_lower=np.concatenate([program.row_lower, lower]),
        row_upper=np.concatenate([program.row_upper, upper]),
    )


class _News:
    """Keeps the best plan and bound over all parts of a solve, and tells the listener."""

    def __init__(self, listener: Listener, deadline: Deadline) -> None:
        self._listener, self._deadline = listener, deadline
        self.bound = -np.inf
        self._told = np.inf
        self._objective = np.inf
        self.values: FloatArray | None = None
        self._improvements: list[tuple[float, float, float]] = []

    def hear(self, objective: float | None, bound: float, phase: str = "search") -> None:
        """Pass on what a running part says."""
        self.bound = max(self.bound, bound)
        if objective is not None and objective < self._told:
            self._told = objective
            self._improvements.append((self._deadline.elapsed(), objective, self.bound))
        self._listener(phase, self._told if np.isfinite(self._told) else None, self.bound)

    def keep(self, values: FloatArray | None, objective: float | None) -> None:
        """Take in a plan, if it is the best so far."""
        if values is None or objective is None:
            return
        self.hear(objective, -np.inf)
        if objective < self._objective:
            self.values, self._objective = values, objective

    def gap(self) -> float:
        """Return the relative gap of the plan kept; infinite without one."""
        if self.values is None or not np.isfinite(self.bound):
            return float("inf")
        gap = relative_gap(self._objective, self.bound)
        return float("inf") if gap is None else gap

    def is_settled(self) -> bool:
        """Tell whether what is being tried has nothing at all, or a good plan already."""
        gap = relative_gap(self._told if np.isfinite(self._told) else None, self.bound)
        return gap is None or gap <= _GOOD_GAP

    def best_of(self, last: MipAnswer) -> MipAnswer:
        """Return the last answer with the best plan, the best bound and all improvements."""
        self.keep(last.values, last.objective)
        status = last.status
        if self.values is not None and status is OutcomeStatus.STOPPED:
            status = OutcomeStatus.FEASIBLE
        return MipAnswer(
            status,
            last.stopped_by,
            objective=None if self.values is None else self._objective,
            values=self.values,
            bound=max(last.bound, self.bound),
            nodes=last.nodes,
            improvements=self._improvements,
        )


def _nearby(
    extended: CumulativeProgram,
    program: Program,
    relaxed: FloatArray,
    options: SolveOptions,
    deadline: Deadline,
    news: _News,
) -> None:
    """Search around the relaxation; past its share of the time only while it is of use."""
    limit = deadline
    if np.isfinite(deadline.remaining()):
        share = deadline.elapsed() + _NEARBY_SHARE * deadline.remaining()
        limit = deadline.until(lambda: deadline.elapsed() > share and news.is_settled())
    answer = search_part(
        program,
        around_relaxation(extended, relaxed),
        relaxed,
        limit,
        gap=max(options.gap, _NEARBY_GAP),
        max_nodes=_NEARBY_NODES if options.max_nodes is None else options.max_nodes,
        threads=options.threads,
        seed=options.seed,
        listener=news.hear,
    )
    news.keep(answer.values, answer.objective)


def _root(
    extended: CumulativeProgram,
    phases: Callable[[], list[RootPhase]],
    options: SolveOptions,
    deadline: Deadline,
    news: _News,
) -> tuple[RootResult, list[BatchRow]]:
    """Run the rounds and dive from their end; return the result and the rows tight in it."""
    part = deadline
    if np.isfinite(deadline.remaining()):
        part = deadline.part(_ROOT_SHARE * deadline.remaining())
    with HighsSession(
        extended.program, threads=options.threads, seed=options.seed, relaxed=True
    ) as session:
        pool = CutPool(extended.program.rows)
        root = strengthen_in_phases(
            session,
            pool,
            phases(),
            part,
            rounds=options.max_rounds,
            on_round=lambda _, bound, __: news.hear(None, bound, "root"),
        )
        if root.answer is not None and root.values is not None:
            pool.drop_slack(session, root.answer)
            _dives(session, root.values, deadline, news)
    return root, pool.active


def _first_plan(
    extended: CumulativeProgram,
    phases: Callable[[], list[RootPhase]],
    options: SolveOptions,
    deadline: Deadline,
    news: _News,
) -> None:
    """Find some plan soon: a few rounds, as far as they are quick, and a dive in large steps."""
    soon, plan = deadline, deadline
    if np.isfinite(deadline.remaining()):
        soon = deadline.part(_EARLY_SHARE * deadline.remaining())
        plan = deadline.part(4 * _EARLY_SHARE * deadline.remaining())
    with HighsSession(
        extended.program, threads=options.threads, seed=options.seed, relaxed=True
    ) as session:
        phase = phases()[0]
        root = strengthen_in_phases(
            session,
            CutPool(extended.program.rows),
            # The relaxation itself is worth waiting for; the rounds only while they are quick.
            [RootPhase(phase.sources, replace(phase.limits, rounds=0)), phase],
            plan.until(lambda: soon.remaining() <= 0 and news.bound > -np.inf),
            rounds=options.max_rounds,
            on_round=lambda _, bound, __: news.hear(None, bound, "root"),
        )
        if root.values is not None:
            found = dive(session, root.values, plan, DiveRule(step=0.4))
            if found is not None:
                news.keep(found.values, found.objective)


def _take_up(
    data: NetworkData,
    extended: CumulativeProgram,
    phases: Callable[[], list[RootPhase]],
    options: SolveOptions,
    deadline: Deadline,
    start: FloatArray,
    news: _News,
) -> None:
    """Go on from a plan made before: its loads, and a first bound from the rows it nearly meets."""
    part = deadline
    if np.isfinite(deadline.remaining()):
        part = deadline.part(_ROOT_SHARE * deadline.remaining())
    with HighsSession(
        extended.program, threads=options.threads, seed=options.seed, relaxed=True
    ) as session:
        found = resume(session, extended, start, part)
        if found is None or found.values is None:
            return
        news.keep(found.values, found.objective)
        pool = CutPool(extended.program.rows)
        if options.max_rounds != 0:
            pool.add(session, _nearly_tight(phases(), found.values))
        session.forget_basis()
        relaxed = session.solve_lp(part)
        if relaxed.values is None:
            return
        news.hear(None, relaxed.objective, "root")
    if news.gap() > max(_GOOD_GAP, options.gap):
        lanes = freed_lanes(data, extended, found.values, relaxed.values, _FREED_LANES)
        _search_lanes(extended, lanes, pool.active, options, deadline, news)


def _search_lanes(
    extended: CumulativeProgram,
    lanes: Sequence[str],
    rows: Sequence[BatchRow],
    options: SolveOptions,
    deadline: Deadline,
    news: _News,
) -> None:
    """Search over the loads of some lanes; the others keep theirs of the best plan."""
    plan = news.values
    if plan is None:
        return
    limit = deadline
    if np.isfinite(deadline.remaining()):
        limit = deadline.part(_DIVE_SHARE * deadline.remaining())
    answer = search_part(
        with_rows(extended.program, rows),
        around_plan(extended, lanes),
        plan,
        limit,
        gap=_GOOD_GAP,
        start=plan,
        max_nodes=_NEARBY_NODES if options.max_nodes is None else options.max_nodes,
        threads=options.threads,
        seed=options.seed,
        listener=news.hear,
    )
    news.keep(answer.values, answer.objective)


def _nearly_tight(phases: Sequence[RootPhase], values: FloatArray) -> list[BatchRow]:
    """Return rows that a plan keeps with little to spare: likely to be needed from the start."""
    return [
        row
        for source in phases[0].sources
        for row in source.violated(values, least=-_SPARE, most_rows=_ROWS_OF_A_PLAN)
    ]


def _dives(session: HighsSession, values: FloatArray, deadline: Deadline, news: _News) -> None:
    """Dive by several rules; the first may take all the time, for without it there is no plan."""
    limit = deadline
    for rule in _DIVES:
        if news.gap() <= _GOOD_GAP:
            return
        found = dive(session, values, limit, rule)
        if found is not None:
            news.keep(found.values, found.objective)
        if np.isfinite(deadline.remaining()):
            limit = deadline.part(_DIVE_SHARE * deadline.remaining())


def _ended_at_root(
    root: RootResult, news: _News, options: SolveOptions, deadline: Deadline
) -> MipAnswer | None:
    """Return the answer where there is nothing left to search for, or no time."""
    if root.status is OutcomeStatus.INFEASIBLE:
        return MipAnswer(OutcomeStatus.INFEASIBLE, StoppedBy.PROOF)
    if news.gap() <= options.gap or deadline.reason_to_stop() is not None:
        return _ended(news, options, deadline)
    return None


def _ended(news: _News, options: SolveOptions, deadline: Deadline) -> MipAnswer:
    """Return how a search ended that is over: by its proof, or by the deadline."""
    if news.gap() <= options.gap:
        return MipAnswer(OutcomeStatus.OPTIMAL, StoppedBy.PROOF)
    return MipAnswer(OutcomeStatus.STOPPED, deadline.reason_to_stop() or StoppedBy.WORK)


def _opening(
    data: NetworkData,
    program: Program,
    extended: CumulativeProgram,
    phases: Callable[[], list[RootPhase]],
    options: SolveOptions,
    deadline: Deadline,
    start: FloatArray | None,
    news: _News,
) -> ItemSearch | None:
    """Take up the start, or find some plan soon; search over items; return that search."""
    search = _item_search(data, program, extended, options, deadline, news)
    # A dive over everything takes long where much is whole besides items, or much there is at all.
    if start is None and (search is None or not (search.rest_is_hard or search.is_large)):
        _first_plan(extended, phases, options, deadline, news)
    elif start is not None and search is None:
        _take_up(data, extended, phases, options, deadline, start, news)
    if search is not None:
        known = {} if options.start is None else options.start.prices
        search.run(start, known)
    return search


def _item_search(
    data: NetworkData,
    program: Program,
    extended: CumulativeProgram,
    options: SolveOptions,
    deadline: Deadline,
    news: _News,
) -> ItemSearch | None:
    """Return the search over plans of items, or None where a program is not made of them."""
    search = ItemSearch(data, program, options, deadline, _ItemNews(extended, news))
    return search if is_worth_it(program, search.split) else None


class _ItemNews:
    """Passes on what the search over items finds."""

    def __init__(self, extended: CumulativeProgram, news: _News) -> None:
        self._extended, self._news = extended, news

    def bounded(self, bound: float) -> None:
        """Take in a proved bound."""
        self._news.hear(None, bound, "prices")

    def planned(self, plan: WholePlan) -> None:
        """Take in a plan."""
        self._news.keep(self._extended.extended(plan.values), plan.objective)

    def gap(self) -> float:
        """Return the gap so far."""
        return self._news.gap()
