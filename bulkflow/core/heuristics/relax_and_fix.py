"""A first plan at once, and better ones by stages.

`least_plan` searches over the few whole columns without which not even the relaxation holds,
every other at its least: all demand beyond what is promised is short, which the solver settles in
a moment.
Where that has no plan it searches over more, and at last over everything.

`staged_plan` is relax-and-fix over groups of whole columns: one group whole and the rest
continuous, its whole numbers then fixed, the next group whole. Neither order of loads and plant is
right for all programs, so both are tried; small changes of the costs make starts diverse.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.deadline import Deadline
from bulkflow.core.heuristics.polish import sharing_rows
from bulkflow.core.highs import HighsSession, MipAnswer
from bulkflow.core.outcome import OutcomeStatus, StoppedBy
from bulkflow.core.program import ColumnKind, Program
from bulkflow.core.values import LaneData, NetworkData
from bulkflow.errors import SolverError

__all__ = [
    "carrying_what_is_asked_for",
    "groups_of_columns",
    "least_plan",
    "perturbed_costs",
    "plan_of_few_columns",
    "staged_plan",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# A program without a plan is proved to have none, or searched for one, with up to this work,
# whatever the limit of the solve.
_LEAST_PLAN_WORK = 60.0
# Searches over few columns end after this much work (and for each entry), and this many nodes.
_FEW_WORK, _FEW_WORK_ENTRY, _FEW_NODES = 0.5, 1e-5, 20
# A load weighs as much as many other whole columns, and costs decide among what weighs the same.
_LOAD_WEIGHT, _COST_WEIGHT = 1e3, 1e-3
_REWEIGHTINGS, _LITTLE = 2, 0.02
_PERTURBATION = 0.02
# How near to its own optimum the first group is settled, and those after it.
_STAGE_GAPS = (1e-2, 4e-3)
_STAGE_NODES = 60


def groups_of_columns(data: NetworkData, program: Program) -> list[BoolArray]:
    """Return masks of whole columns: loads to demand, other columns of lanes, activities.

    The first are of lanes into nodes where something is asked for, or that serve such a node in
    the same period. Groups may be empty.
    """
    asked = {number for number, node in enumerate(data.nodes) if (node.demand > 0).any()}
    serving = {lane.tail for lane in data.lanes if lane.head in asked and _is_instant(lane)}
    near = {lane.id for lane in data.lanes if lane.head in asked | serving}
    masks = [np.zeros(program.columns, dtype=bool) for _ in range(3)]
    for (kind, ref, _), start in program.starts.items():
        place = 2 if kind is ColumnKind.ACTIVITY else int(ref not in near)
        span = slice(start, start + program.periods)
        masks[place][span] = program.integer[span]
    return masks


def carrying_what_is_asked_for(data: NetworkData, program: Program) -> BoolArray:
    """Return the whole columns of lanes that carry what is asked for to where it is.

    Or to where it can be brought there in the same period.
    """
    asked = {
        (number, int(commodity))
        for number, node in enumerate(data.nodes)
        for commodity in np.flatnonzero((node.demand > 0).any(axis=1))
    }
    serving = {
        (lane.tail, int(commodity))
        for lane in data.lanes
        if _is_instant(lane)
        for commodity in lane.carried
        if (lane.head, int(commodity)) in asked
    }
    chosen = np.zeros(program.columns, dtype=bool)
    for lane in data.lanes:
        if any((lane.head, int(commodity)) in asked | serving for commodity in lane.carried):
            for kind in (ColumnKind.VEHICLES, ColumnKind.USED):
                start = program.start(kind, lane.id)
                if start is not None:
                    chosen[start : start + program.periods] = True
    return chosen


def _is_instant(lane: LaneData) -> bool:
    """Tell whether a lane brings within the period what it carries, and not in vehicles."""
    steps = np.arange(len(lane.arrival))
    return lane.vehicle_capacity is None and bool((lane.arrival == steps).all())


def least_plan(
    program: Program, loads: BoolArray, deadline: Deadline, *, threads: int = 1, seed: int = 0
) -> MipAnswer:
    """Return a first plan, mostly one that sends little more than what is promised.

    The relaxation with the fewest whole columns above their least comes first: the search is
    over those alone, then over what shares rows with them too. Where that has no plan, the loads
    are held at their least count, and where that has none either, nothing is held.

    Parameters
    ----------
    loads : the columns to hold.
    deadline : asked for the caller's wish to stop alone: a plan has to be had.
    """
    needed, sent = _needed(program, loads, deadline)
    near = sharing_rows(program, needed)
    few = _few_work(program)
    answer = MipAnswer(OutcomeStatus.STOPPED, StoppedBy.WORK)
    for held, work, nodes in (
        (~needed, few, _FEW_NODES),
        (~near, 2 * few, _FEW_NODES),
        (_held(program, loads, sent), _LEAST_PLAN_WORK, None),
        (np.zeros_like(loads), _LEAST_PLAN_WORK, None),
    ):
        limit = deadline.regardless(work=work)
        answer = _first_found(program, held, limit, nodes, threads=threads, seed=seed)
        if answer.values is not None or limit.is_over():
            break
    answer.bound = -np.inf
    return answer


def plan_of_few_columns(program: Program, loads: BoolArray, deadline: Deadline) -> MipAnswer:
    """Return a plan in which few whole columns are above their least: those the relaxation needs.

    Most programs have one, and it is found in a small part of the time of another; that none is
    found proves nothing.
    """
    needed, _ = _needed(program, loads, deadline)
    limit = deadline.part(work=_few_work(program))
    answer = _first_found(program, ~needed, limit, _FEW_NODES)
    if answer.values is None:
        near = sharing_rows(program, needed)
        answer = _first_found(program, ~near, limit, _FEW_NODES)
    return answer


def _few_work(program: Program) -> float:
    return _FEW_WORK + _FEW_WORK_ENTRY * program.matrix.nnz


def _first_found(
    program: Program,
    held: BoolArray,
    limit: Deadline,
    nodes: int | None,
    *,
    threads: int = 1,
    seed: int = 0,
) -> MipAnswer:
    """Search for any plan with the held whole columns at their least."""
    upper = np.where(held & program.integer, _least(program), program.upper)
    with HighsSession(replace(program, upper=upper), threads=threads, seed=seed) as session:
        session.set_option("mip_max_improving_sols", 1)
        session.set_option("mip_heuristic_run_root_reduced_cost", value=False)
        return session.solve_mip(limit, gap=0.0, max_nodes=nodes)


def _least(program: Program) -> FloatArray:
    return np.minimum(np.maximum(np.ceil(program.lower - 1e-9), 0.0), program.upper)


def _needed(
    program: Program, loads: BoolArray, deadline: Deadline
) -> tuple[BoolArray, FloatArray | None]:
    """Return a small set of whole columns that together meet the relaxation, and its values.

    Loads are the last to be taken; what is settled at little is priced out (reweighted sums).
    """
    weights = np.where(loads, _LOAD_WEIGHT, np.where(program.integer, 1.0, 0.0))
    largest = np.abs(program.cost).max(initial=0.0)
    if largest > 0:
        weights = weights + program.cost * (_COST_WEIGHT / largest)
    needed = np.zeros(program.columns, dtype=bool)
    values: FloatArray | None = None
    with HighsSession(replace(program, cost=weights, constant=0.0), relaxed=True) as session:
        for _ in range(_REWEIGHTINGS + 1):
            try:
                found = session.solve_lp(deadline.regardless(work=_LEAST_PLAN_WORK)).values
            except SolverError:  # weights are a help alone
                break
            if found is None:
                break
            values = found
            priced = np.where(
                program.integer, weights / (np.maximum(values, 0.0) + _LITTLE), weights
            )
            session.set_costs(np.arange(program.columns), priced)
            needed = program.integer & (values > _least(program) + 1e-7)
    return needed, values


def _held(program: Program, loads: BoolArray, sent: FloatArray | None) -> BoolArray:
    """Return the loads to hold at their least count, given what is sent where that is little.

    What a contract or another rule asks for beyond it shows there: a block of columns with any
    such load stays free.
    """
    held = loads.copy()
    if sent is not None:
        needed = loads & (sent > _least(program) + 1e-6)
        blocks = np.unique(np.flatnonzero(needed) // program.periods)
        held &= ~np.isin(np.arange(program.columns) // program.periods, blocks)
    return held


def perturbed_costs(program: Program, rng: np.random.Generator) -> FloatArray:
    """Return the costs with those of whole columns changed a little at random."""
    noise = 1.0 + _PERTURBATION * rng.standard_normal(program.columns)
    return np.where(program.integer, program.cost * noise, program.cost)


def staged_plan(
    program: Program,
    groups: Sequence[BoolArray],
    deadline: Deadline,
    *,
    soon: bool = False,
    start: FloatArray | None = None,
    cost: FloatArray | None = None,
    threads: int = 1,
    seed: int = 0,
) -> FloatArray | None:
    """Return column values with the groups' columns whole, or None where a stage has no plan.

    Parameters
    ----------
    soon : end every stage at its first plan.
    start : a plan of the program, for the first stage to better.
    cost : to be used instead of the program's.
    """
    lower, upper = program.lower.copy(), program.upper.copy()
    values: FloatArray | None = None
    whole = np.zeros(program.columns, dtype=bool)
    stages = [group for group in groups if group.any()]
    for number, group in enumerate(stages):
        if number and deadline.reason_to_stop() is not None:
            return None
        part = replace(
            program,
            lower=lower,
            upper=upper,
            integer=group,
            cost=program.cost if cost is None else cost,
        )
        with HighsSession(part, threads=threads, seed=seed) as session:
            session.set_option("mip_heuristic_run_root_reduced_cost", value=False)
            if soon:
                session.set_option("mip_max_improving_sols", 1)
            elif start is not None and not number:
                session.propose(start)
            answer = session.solve_mip(
                deadline.share(1 / (len(stages) - number)),
                gap=_STAGE_GAPS[min(number, 1)],
                max_nodes=_STAGE_NODES,
            )
        values = answer.values
        if values is None:
            return None
        whole |= group
        fixed = np.clip(np.round(values[whole]), program.lower[whole], program.upper[whole])
        lower[whole] = upper[whole] = fixed
    return values
