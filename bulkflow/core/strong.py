"""The strong way to an answer: a plan at once, a bound by rows or prices, then better plans.

1. Cumulative counts as columns (`bulkflow.core.cumulative`).
2. An incumbent at once: a warm start from a plan made before
   (`bulkflow.core.heuristics.warm_start`), or the least plan
   (`bulkflow.core.heuristics.relax_and_fix`).
3. Where most of what is whole belongs to subproblems, column generation over their plans
   (`bulkflow.core.column_generation`); it mostly ends the matter.
4. Rounds of cuts at the root (`bulkflow.core.cuts.root_loop`): of single windows first, combined
   ones when those are exhausted; diving from their end where only vehicles are whole.
5. Relax-and-fix, crossover and fix-and-optimize (`bulkflow.core.heuristics.fix_and_optimize`), in
   turn with the search by HiGHS over everything, for the bound. Each turn has more work than the
   one before; what it does depends on the work done and not on the limit, so more time never ends
   with a worse plan.

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

from bulkflow.core.column_generation.completion import WholePlan
from bulkflow.core.column_generation.search import ColumnGeneration, is_worth_it
from bulkflow.core.cumulative import CumulativeProgram, with_cumulative_counts
from bulkflow.core.cuts.batch_rows import BatchRow, StationCuts
from bulkflow.core.cuts.flow_rows import FlowCuts
from bulkflow.core.cuts.mixing_rows import MixingCuts
from bulkflow.core.cuts.root_loop import (
    CutPool,
    RootLimits,
    RootPhase,
    RootResult,
    RowSource,
    rows_as_block,
    strengthen_in_phases,
)
from bulkflow.core.cuts.stations import find_stations
from bulkflow.core.cuts.whole_rows import WholeRowCuts
from bulkflow.core.deadline import Deadline
from bulkflow.core.heuristics.diving import DiveRule, dive
from bulkflow.core.heuristics.fix_and_optimize import Improver
from bulkflow.core.heuristics.neighbourhood import around_plan, search_part
from bulkflow.core.heuristics.neighbourhoods import Neighbourhoods
from bulkflow.core.heuristics.relax_and_fix import (
    carrying_what_is_asked_for,
    groups_of_columns,
    least_plan,
)
from bulkflow.core.heuristics.warm_start import freed_lanes, resume
from bulkflow.core.highs import HighsSession, MipAnswer
from bulkflow.core.incumbent import Incumbent, Listener
from bulkflow.core.options import SolveOptions
from bulkflow.core.outcome import OutcomeStatus, StoppedBy
from bulkflow.core.prices import PriceKey
from bulkflow.core.program import ColumnKind, Program
from bulkflow.core.values import NetworkData

__all__ = ["StrongAnswer", "root_phases", "solve_strong", "with_rows"]

FloatArray = NDArray[np.float64]

_GOOD_GAP = 3e-3
# The root may take this share of what is left: a plan is worth more than the last of the bound.
_ROOT_SHARE = 0.4
# From a plan made before, rows that it keeps with less than this to spare (in loads) are there
# from the first round.
_SPARE = 0.6
_ROWS_OF_A_PLAN = 20
_FREED_LANES = 6
_FREED_NODES = 200
# Stages that take a share take it of this much work, whatever the limit: and for each entry.
_PLANNED_WORK, _PLANNED_WORK_ENTRY = 10.0, 2e-4
# Whole columns that are alone in their block: what is decided once.
_MOST_RARE = 60
_RARE_WORK, _RARE_GAP = 4.0, 1e-5
_DIVE_SHARE = 0.25
_DIVES = (DiveRule(), DiveRule(up_from=0.4))
# Fewer whole columns than this are searched at once; with more, quick starts find nothing, and
# windows come at once.
_FEW, _MANY = 200, 1200
# With a wider gap than this plans are bettered first, and the bound is left as it is.
# But for this much work of a turn at most.
_WIDE_GAP, _MOST_WIDE = 2e-2, 50.0
# Work of the first turns of improving and of the search, and how it grows.
_IMPROVE_WORK, _SEARCH_WORK = 6.0, 3.0
_FEW_SEARCH_WORK = 6.0
_MORE = 2.0
# Two objectives of one plan differ by less than this share.
_SAME = 1e-7
# With more whole columns besides vehicles in a period than this a dive finds no plan.
_HARD_REST = 3


@dataclass(frozen=True, slots=True)
class StrongAnswer:
    """An answer in the columns of the original program, and the work it took.

    Parameters
    ----------
    prices : of rows, where a bound was proved by prices.
    others : good plans beside the best, the best of them first.
    """

    answer: MipAnswer
    rows_added: int
    rounds: int
    prices: Mapping[PriceKey, FloatArray] = field(default_factory=dict)
    others: Sequence[FloatArray] = ()


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
    return _Solve(data, program, options, deadline, listener).run(start)


def root_phases(data: NetworkData, extended: CumulativeProgram) -> list[RootPhase]:
    """Return what looks for strengthening rows in a program, in the order of its use."""
    stations = find_stations(data, extended)
    single: list[RowSource] = [
        *(StationCuts(number, station) for number, station in enumerate(stations)),
        FlowCuts(data, extended.program),
        WholeRowCuts(extended.program),
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


class _Solve:
    """One solve: see the module."""

    def __init__(
        self,
        data: NetworkData,
        program: Program,
        options: SolveOptions,
        deadline: Deadline,
        listener: Listener,
    ) -> None:
        self.data, self.program, self.options = data, program, options
        self.deadline = deadline.planned(_PLANNED_WORK + _PLANNED_WORK_ENTRY * program.matrix.nnz)
        self.extended = with_cumulative_counts(program)
        self.incumbent = Incumbent(program, self.extended, listener, deadline)
        # Made when they are first asked for: a search over items may end without them.
        self.phases: Callable[[], list[RootPhase]] = cache(lambda: root_phases(data, self.extended))
        self.nodes = 0

    def run(self, start: FloatArray | None) -> StrongAnswer:
        """Solve."""
        search = self._column_generation()
        if search is not None and search.is_large:
            # There the search over items has plans before the least one could be found.
            search.run(start, self._known_prices())
        first = self._first_plan(start, items=search is not None)
        if first is not None:
            return self._answer(first, 0, 0, None)
        if search is not None and not search.is_large:
            search.run(start, self._known_prices())
        if self._over() is not None:
            added, rounds = (0, 0) if search is None else (search.rows_added, search.rounds)
            return self._answer(self._ended(), added, rounds, search)
        root, rows = self._root()
        if root.status is OutcomeStatus.INFEASIBLE:
            ended = MipAnswer(OutcomeStatus.INFEASIBLE, StoppedBy.PROOF)
        elif self._over() is not None:
            ended = self._ended()
        else:
            strengthened = with_rows(self.extended.program, rows)
            ended = self._turns(strengthened, root.values)
        return self._answer(ended, len(rows), root.rounds, search)

    def _known_prices(self) -> Mapping[PriceKey, FloatArray]:
        return {} if self.options.start is None else self.options.start.prices

    def _answer(
        self, ended: MipAnswer, rows: int, rounds: int, search: ColumnGeneration | None
    ) -> StrongAnswer:
        prices = {} if search is None else search.final_prices()
        answer = self.incumbent.answer(ended.status, ended.stopped_by, self.nodes)
        others = [self.extended.original(plan) for _, plan in self.incumbent.pool[1:]]
        return StrongAnswer(answer, rows, rounds, prices, others)

    def _over(self) -> StoppedBy | None:
        """Return why nothing is left to do, or None; without a plan all is left to do."""
        if self.incumbent.gap() <= self.options.gap:
            return StoppedBy.PROOF
        return self.deadline.reason_to_stop()

    def _ended(self) -> MipAnswer:
        """Return how a search ended that is over: by its proof, or by the deadline."""
        reason = self._over() or StoppedBy.WORK
        if reason is StoppedBy.PROOF:
            return MipAnswer(OutcomeStatus.OPTIMAL, reason)
        return MipAnswer(OutcomeStatus.STOPPED, reason)

    # A plan at once --------------------------------------------------------------------------

    def _first_plan(self, start: FloatArray | None, *, items: bool) -> MipAnswer | None:
        """Take up the start, or find the least plan; return the answer where there is no plan."""
        if start is not None and not items:
            if np.isfinite(start[self.program.integer]).all():
                self.incumbent.offer(self.extended.extended(start))
            self._take_up(start)
        if self.incumbent.values is not None:
            return None
        loads = carrying_what_is_asked_for(self.data, self.program)
        options = self.options
        answer = least_plan(
            self.program, loads, self.deadline, threads=options.threads, seed=options.seed
        )
        if answer.values is None:
            proved = (OutcomeStatus.INFEASIBLE, OutcomeStatus.UNBOUNDED)
            return answer if answer.status in proved else None
        self.incumbent.offer(self.extended.extended(answer.values))
        return None

    def _take_up(self, start: FloatArray) -> None:
        """Go on from a plan made before: its loads, and a bound from the rows it nearly meets."""
        options, extended = self.options, self.extended
        part = self.deadline.share(_ROOT_SHARE)
        with HighsSession(
            extended.program, threads=options.threads, seed=options.seed, relaxed=True
        ) as session:
            found = resume(session, extended, start, part)
            if found is None or found.values is None:
                return
            self.incumbent.offer(found.values)
            best = self.incumbent.values
            if best is None:
                return
            pool = CutPool(extended.program.rows)
            if options.max_rounds != 0:
                pool.add(session, _nearly_tight(self.phases(), best))
            session.forget_basis()
            relaxed = session.solve_lp(part)
            if relaxed.values is None:
                return
            self.incumbent.hear(relaxed.objective, "root")
        if self.incumbent.gap() > max(_GOOD_GAP, options.gap):
            lanes = freed_lanes(self.data, extended, best, relaxed.values, _FREED_LANES)
            self._search_lanes(lanes, pool.active)

    def _search_lanes(self, lanes: Sequence[str], rows: Sequence[BatchRow]) -> None:
        """Search over the loads of some lanes; the others keep theirs of the best plan."""
        plan = self.incumbent.values
        if plan is None:
            return
        answer = search_part(
            with_rows(self.extended.program, rows),
            around_plan(self.extended, lanes),
            plan,
            self.deadline.share(_DIVE_SHARE),
            gap=_GOOD_GAP,
            start=plan,
            max_nodes=self._nodes(_FREED_NODES),
            threads=self.options.threads,
            seed=self.options.seed,
        )
        self.incumbent.offer(answer.values)

    def _nodes(self, usual: int) -> int:
        return usual if self.options.max_nodes is None else self.options.max_nodes

    def _column_generation(self) -> ColumnGeneration | None:
        """Return the search over plans of items, or None where a program is not made of them."""
        listening = _ColumnGenerationNews(self.extended, self.incumbent)
        search = ColumnGeneration(self.data, self.program, self.options, self.deadline, listening)
        return search if is_worth_it(self.program, search.split) else None

    # The root --------------------------------------------------------------------------------

    def _root(self) -> tuple[RootResult, list[BatchRow]]:
        """Run the rounds and dive from their end; return the result and the rows tight in it."""
        options, extended = self.options, self.extended
        with HighsSession(
            extended.program, threads=options.threads, seed=options.seed, relaxed=True
        ) as session:
            pool = CutPool(extended.program.rows)
            root = strengthen_in_phases(
                session,
                pool,
                self.phases(),
                self.deadline.share(_ROOT_SHARE),
                rounds=options.max_rounds,
                on_round=lambda _, bound, __: self.incumbent.hear(bound, "root"),
            )
            if root.answer is not None and root.values is not None:
                pool.drop_slack(session, root.answer)
                self._dives(session, root.values)
        return root, pool.active

    def _dives(self, session: HighsSession, values: FloatArray) -> None:
        """Dive by several rules where little but vehicles is whole."""
        program = self.program
        vehicles = sum(kind is ColumnKind.VEHICLES for kind, _, _ in program.blocks)
        rest = int(program.integer.sum()) - vehicles * program.periods
        if not vehicles or rest > _HARD_REST * program.periods:
            return
        for rule in _DIVES:
            if self.incumbent.gap() <= _GOOD_GAP:
                return
            found = dive(session, values, self.deadline.share(_DIVE_SHARE), rule)
            if found is not None:
                self.incumbent.offer(found.values)

    def _over_the_horizon(self, program: Program, relaxed: FloatArray | None) -> FloatArray | None:
        """Make whole alone what is decided once for the horizon (tiers of prices): for the bound.

        Return the values of that relaxation.
        """
        own = program.periods * len(program.blocks)
        free = program.integer[:own] & (program.lower[:own] < program.upper[:own])
        once = free.reshape(-1, program.periods).sum(axis=1) == 1
        rare = np.zeros(program.columns, dtype=bool)
        rare[:own] = free & np.repeat(once, program.periods)
        if not 0 < rare.sum() <= _MOST_RARE or program.periods <= 1:
            return relaxed
        with HighsSession(replace(program, integer=rare), seed=self.options.seed) as session:
            session.search_for_bound()
            answer = session.solve_mip(self.deadline.part(work=_RARE_WORK), gap=_RARE_GAP)
        self.incumbent.hear(answer.bound, "tiers")
        return relaxed if answer.values is None else answer.values

    # Turns of improving and searching --------------------------------------------------------

    def _turns(self, program: Program, relaxed: FloatArray | None) -> MipAnswer:
        """Improve plans and search for the bound in turn, each time with more work."""
        few = self._whole_columns() <= _FEW
        # Without a limit only a proof ends it, and one search has that sooner than several.
        endless = not np.isfinite(min(self.deadline.remaining(), self.deadline.work_left()))
        large = self._whole_columns() > _MANY
        if not large:
            relaxed = self._over_the_horizon(program, relaxed)
        improver = self._improver(program, relaxed, large=large)
        improving, searching = _IMPROVE_WORK, _SEARCH_WORK
        if few:
            searching = _FEW_SEARCH_WORK
        else:
            improver.begin(self.deadline)
        if large and self._over() is None:
            # There a plan comes before the bound.
            self._over_the_horizon(program, relaxed)
        while self._over() is None:
            if not few and not improver.settled and not endless:
                improver.run(self.deadline.part(work=improving))
                improving *= _MORE
                if self._over() is not None:
                    break
                wide = self.incumbent.values is not None and self.incumbent.gap() > _WIDE_GAP
                if wide and improving <= _MOST_WIDE and self.options.max_nodes is None:
                    continue
            few = False
            last = self.options.max_nodes is not None or improver.settled or endless
            answer = self._search(program, INF if last else searching)
            searching *= _MORE
            if last or answer.stopped_by is StoppedBy.PROOF:
                return answer
        return self._ended()

    def _whole_columns(self) -> int:
        return int(self.program.integer.sum())

    def _improver(self, program: Program, relaxed: FloatArray | None, *, large: bool) -> Improver:
        options = self.options
        loads, others, activities = groups_of_columns(self.data, program)
        places = Neighbourhoods(
            self.data, program, [loads, others, activities], options.seed, relaxed
        )
        plant = others | activities
        return Improver(
            program,
            self.extended.program,
            self.incumbent,
            places,
            large=large,
            orders=((loads, plant), (plant, loads)),
            last_resort=(activities, loads | others),
            enough=lambda: self.incumbent.gap() <= options.gap,
            seed=options.seed,
            threads=options.threads,
        )

    def _search(self, program: Program, work: float) -> MipAnswer:
        """Search everything by HiGHS from the best plan; once more from nothing where it erred.

        HiGHS 1.16 can end with the objective of one plan and the values of another, a worse one.
        """
        answer = self._search_from(program, work, self.incumbent.values)
        if self._holds_what_it_says(answer):
            return answer
        answer = self._search_from(program, work, None)
        if not self._holds_what_it_says(answer):
            answer.status, answer.stopped_by = OutcomeStatus.STOPPED, StoppedBy.WORK
        return answer

    def _holds_what_it_says(self, answer: MipAnswer) -> bool:
        if answer.stopped_by is not StoppedBy.PROOF or answer.objective is None:
            return True
        slack = max(self.options.gap, _SAME) * max(1.0, abs(answer.objective))
        return self.incumbent.objective <= answer.objective + slack

    def _search_from(self, program: Program, work: float, start: FloatArray | None) -> MipAnswer:
        options = self.options
        few = self._whole_columns() <= _FEW
        with HighsSession(program, threads=options.threads, seed=options.seed) as session:
            if start is not None:
                session.propose(start)
                if not few:
                    session.search_for_bound()
            answer = session.solve_mip(
                self.deadline.part(work=work),
                gap=options.gap,
                max_nodes=options.max_nodes,
                listener=lambda _, bound: self.incumbent.hear(bound, "search"),
            )
        self.nodes += answer.nodes
        self.incumbent.hear(answer.bound, "search")
        if answer.objective is not None and answer.objective < self.incumbent.objective:
            self.incumbent.offer(answer.values)
        return answer


INF = float("inf")


def _nearly_tight(phases: Sequence[RootPhase], values: FloatArray) -> list[BatchRow]:
    """Return rows that a plan keeps with little to spare: likely to be needed from the start."""
    return [
        row
        for source in phases[0].sources
        for row in source.violated(values, least=-_SPARE, most_rows=_ROWS_OF_A_PLAN)
    ]


class _ColumnGenerationNews:
    """Passes on what the search over items finds."""

    def __init__(self, extended: CumulativeProgram, incumbent: Incumbent) -> None:
        self._extended, self._incumbent = extended, incumbent

    def bounded(self, bound: float) -> None:
        """Take in a proved bound."""
        self._incumbent.hear(bound, "prices")

    def planned(self, plan: WholePlan) -> None:
        """Take in a plan."""
        self._incumbent.keep(self._extended.extended(plan.values), plan.objective)

    def gap(self) -> float:
        """Return the gap so far."""
        return self._incumbent.gap()
