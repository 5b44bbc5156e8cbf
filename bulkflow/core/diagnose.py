"""Why a network has no plan: the smallest set of rules found that cannot hold together.

First all rules get slack and the least total excess is sought; the prices of that optimum name
an infeasible part. Then a deletion filter opens group after group (a rule of one node, lane or
limit, over all periods) and leaves open what is not needed for the conflict; what remains is
filtered again period by period. Within its time limit the result is irreducible: without any one
of its parts a plan exists. If time runs out it is still a set that cannot hold together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.assemble import assemble_data
from bulkflow.core.deadline import Deadline
from bulkflow.core.elastic import ConflictRule, ElasticProgram, Element, elastic_program
from bulkflow.core.heuristics.relax_and_fix import (
    carrying_what_is_asked_for,
    plan_of_few_columns,
)
from bulkflow.core.highs import HighsSession
from bulkflow.core.network import Network
from bulkflow.core.options import Form
from bulkflow.core.outcome import OutcomeStatus
from bulkflow.core.validate import check_network
from bulkflow.core.values import spread_network

__all__ = ["DIAGNOSIS_WORK", "Conflict", "Diagnosis", "diagnose"]

DIAGNOSIS_WORK = 30.0
"""Most work on looking for the smallest conflict (`bulkflow.core.deadline`)."""

FloatArray = NDArray[np.float64]

# Prices and excess below this are rounding of the solver (its tolerance is 1e-7).
_DUST = 1e-6
# No single trial may eat the whole budget: past this it counts as not settled.
_TRIAL_SHARE = 0.2


@dataclass(frozen=True, slots=True, order=True)
class Conflict:
    """A rule that takes part, in the periods in which it does (empty: over the horizon)."""

    rule: ConflictRule
    ref: str
    commodity: str | None
    periods: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """Rules that cannot hold together; no conflicts where a plan exists or none was proved not to.

    Parameters
    ----------
    irreducible : whether dropping any one of them, in all its periods, would allow a plan;
        without conflicts, whether a plan was found.
    whole_numbers : whether the conflict rests on whole vehicles or on/off rules as well.
    """

    conflicts: tuple[Conflict, ...]
    irreducible: bool
    whole_numbers: bool
    seconds: float


_Part = tuple[int, ...]  # positions of slacks that open and close together


def diagnose(
    network: Network, *, seconds: float | None = None, work: float = DIAGNOSIS_WORK
) -> Diagnosis:
    """Return the smallest conflict found within these limits of work and of wall time.

    Raises
    ------
    InputError
        With every fault of the network.
    """
    deadline = Deadline(seconds, work=work)
    check_network(network)
    data = spread_network(network)
    program = assemble_data(data, form=Form.PLAIN)
    elastic = elastic_program(data, program)
    with HighsSession(elastic.program, relaxed=True) as session:
        trial = _Trial(session, elastic, deadline, whole=False)
        kept = trial.priced(range(len(elastic.elements)))
        if kept:
            kept, done = _filtered(trial, kept, elastic)
            return _diagnosis(elastic, kept, deadline, irreducible=done, whole=False)
    if not elastic.program.integer.any():
        return Diagnosis((), irreducible=True, whole_numbers=False, seconds=deadline.elapsed())
    loads = carrying_what_is_asked_for(data, program)
    if plan_of_few_columns(program, loads, deadline).values is not None:
        return Diagnosis((), irreducible=True, whole_numbers=False, seconds=deadline.elapsed())
    with HighsSession(elastic.program) as session:
        trial = _Trial(session, elastic, deadline, whole=True)
        everything = list(range(len(elastic.elements)))
        settled = trial.infeasible(everything)
        if settled is not True:
            done = settled is False
            return Diagnosis((), irreducible=done, whole_numbers=False, seconds=deadline.elapsed())
        kept, done = _filtered(trial, everything, elastic)
    return _diagnosis(elastic, kept, deadline, irreducible=done, whole=True)


class _Trial:
    """Solves with some rules in force and the rest open."""

    def __init__(
        self, session: HighsSession, elastic: ElasticProgram, deadline: Deadline, *, whole: bool
    ) -> None:
        self.session, self.elastic, self.deadline, self.whole = session, elastic, deadline, whole
        count = len(elastic.elements)
        self._columns = elastic.first_slack + np.arange(count)
        self._costs = elastic.program.cost[self._columns]

    def _force(self, kept: Sequence[int]) -> None:
        upper = self.elastic.most.copy()
        upper[list(kept)] = 0.0
        self.session.set_bounds(self._columns, np.zeros(len(upper)), upper)

    def infeasible(self, kept: Sequence[int]) -> bool | None:
        """Tell whether the kept rules conflict; None if that was not settled in time."""
        self._force(kept)
        self.session.set_costs(self._columns, np.zeros(len(self._costs)))
        limit = self.deadline.share(_TRIAL_SHARE, least=0.05)
        if self.whole:
            status = self.session.solve_mip(limit, gap=0.5).status
        else:
            status = self.session.solve_lp(limit).status
        if status is OutcomeStatus.INFEASIBLE:
            return True
        return False if status in (OutcomeStatus.OPTIMAL, OutcomeStatus.FEASIBLE) else None

    def priced(self, kept: Sequence[int]) -> list[int]:
        """Return the kept rules with a price when least excess is sought; none if they can hold.

        The rows with a price prove by themselves that the excess cannot vanish (linear duality).
        """
        kept = list(kept)
        self._force([])
        costs = np.zeros(len(self._costs))
        costs[kept] = self._costs[kept]
        self.session.set_costs(self._columns, costs)
        answer = self.session.solve_lp(self.deadline)
        if answer.values is None or answer.row_prices is None or answer.objective <= _DUST:
            return []
        prices = np.abs(answer.row_prices[self.elastic.rows])
        return [place for place in kept if prices[place] > _DUST * self._costs[place]]


def _filtered(trial: _Trial, kept: list[int], elastic: ElasticProgram) -> tuple[list[int], bool]:
    """Return an irreducible part of a conflict: first by group, then by period."""
    kept, groups_done = _delete(trial, kept, _grouped(kept, elastic, _group_of))
    kept, periods_done = _delete(trial, kept, _grouped(kept, elastic, lambda element: element))
    return kept, groups_done and periods_done


def _group_of(element: Element) -> object:
    return (element.rule, element.ref, element.commodity)


def _grouped(
    kept: Sequence[int], elastic: ElasticProgram, key: Callable[[Element], object]
) -> list[_Part]:
    groups: dict[object, list[int]] = {}
    for place in kept:
        groups.setdefault(key(elastic.elements[place]), []).append(place)
    return [tuple(part) for part in groups.values()]


def _delete(trial: _Trial, kept: list[int], parts: list[_Part]) -> tuple[list[int], bool]:
    """Drop, in halves while large, the parts without which the conflict still stands."""
    remaining = set(kept)
    queue = [parts]
    settled = True
    while queue:
        chunk = queue.pop()
        if not chunk:
            continue
        if trial.deadline.reason_to_stop() is not None:
            return sorted(remaining), False
        dropped = {place for part in chunk for place in part}
        verdict = trial.infeasible(sorted(remaining - dropped))
        if verdict is True:
            remaining -= dropped
        elif len(chunk) > 1:
            middle = len(chunk) // 2
            queue += [chunk[:middle], chunk[middle:]]
        elif verdict is None:
            settled = False
    return sorted(remaining), settled


def _diagnosis(
    elastic: ElasticProgram, kept: list[int], deadline: Deadline, *, irreducible: bool, whole: bool
) -> Diagnosis:
    periods: dict[tuple[ConflictRule, str, str | None], set[int]] = {}
    for place in kept:
        element = elastic.elements[place]
        found = periods.setdefault((element.rule, element.ref, element.commodity), set())
        if element.period is not None:
            found.add(element.period)
    conflicts = tuple(
        Conflict(rule, ref, commodity, tuple(sorted(found)))
        for (rule, ref, commodity), found in periods.items()
    )
    return Diagnosis(
        conflicts=conflicts,
        irreducible=irreducible,
        whole_numbers=whole,
        seconds=deadline.elapsed(),
    )
