"""What changed between two plans: loads added, dropped and moved, runs, purchases, cost.

A promised or frozen load keeps its name, and is paired with the load of that name. Other loads
have no identity across plans: those of a lane, liquid and tank type are paired first on the same
day, then in the order of time (moved); what has no pair was added or dropped. Loads under way
are facts.

Where the later plan begins later, they are compared from its first day on: loads and demand of
the days between are history, and no change of plan, but for a load that was to leave and has
not. Costs are those of each plan's own horizon.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date
from typing import Any, TypeVar

from bulkflow.errors import Fault, InputError
from bulkflow.plan.inputs import InputChange, input_changes
from bulkflow.plan.result import PlanResult
from bulkflow.plan.summary import NOTHING_LPA, summarise
from bulkflow.program.answer import LoadKind, Plan, PlannedLoad

__all__ = [
    "InputChange",
    "LoadChange",
    "PlanDifference",
    "PurchaseChange",
    "RunChange",
    "ShortageChange",
    "compare_plans",
]


@dataclass(frozen=True, slots=True)
class LoadChange:
    """A load added, dropped, moved to another day, or kept with another amount.

    Days are loading days; None on the side where the load is not.
    """

    change: str
    lane: str
    tank_type: str
    liquids: str
    day_before: date | None
    day_after: date | None
    lpa_before: float
    lpa_after: float


@dataclass(frozen=True, slots=True)
class ShortageChange:
    """LPA short in a period (open or lost) before and after, where they differ."""

    site: str
    liquid: str
    priority: str
    period_start: date
    before_lpa: float
    after_lpa: float


@dataclass(frozen=True, slots=True)
class RunChange:
    """Charges of a recipe on a still in a period before and after, where they differ."""

    site: str
    still: str
    recipe: str
    period_start: date
    before_charges: float
    after_charges: float


@dataclass(frozen=True, slots=True)
class PurchaseChange:
    """LPA bought of a liquid from a supplier in a period before and after, where they differ."""

    supplier: str
    liquid: str
    period_start: date
    before_lpa: float
    after_lpa: float


@dataclass(frozen=True, slots=True)
class PlanDifference:
    """What changed from one plan to another.

    Parameters
    ----------
    kept_loads : loads with the same day and amount.
    costs : before and after by part; the parts add up to the total (sales are below zero).
    inputs : what changed in the workspace as planned; None where a plan does not keep it.
    begins_before, begins_after : the first day of each plan.
    """

    currency: str
    before: str
    after: str
    loads: tuple[LoadChange, ...]
    kept_loads: int
    shortages: tuple[ShortageChange, ...]
    runs: tuple[RunChange, ...]
    purchases: tuple[PurchaseChange, ...]
    inputs: tuple[InputChange, ...] | None
    costs: Mapping[str, tuple[float, float]]
    begins_before: date
    begins_after: date

    @property
    def begins_later(self) -> bool:
        """Whether the later plan begins later, and costs are of different horizons."""
        return self.begins_after > self.begins_before


# Less than this is the same load as before: a thousandth of a tank.
SAME_LPA = 20.0
SAME_CHARGES = 1e-6  # of a continuous still, which runs parts of a charge

Group = tuple[str, str, str]


def compare_plans(before: PlanResult, after: PlanResult) -> PlanDifference:
    """Return what changed from one plan to another.

    Raises
    ------
    InputError
        The plans are in different currencies.
    """
    if before.plan.currency != after.plan.currency:
        found = f"are in {before.plan.currency} and {after.plan.currency}"
        raise InputError(Fault("", 0, "the plans", found, "Compare plans in one currency."))
    begins_before, begins_after = before.plan.period_starts[0], after.plan.period_starts[0]
    before = replace(before, plan=_from_day(before.plan, begins_after, _given(after.plan)))
    changes, kept = _load_changes(before.plan, after.plan)
    inputs = None
    if before.inputs and after.inputs:
        since = begins_after if begins_after > begins_before else None
        inputs = tuple(input_changes(before.inputs, after.inputs, since=since))
    costs = {
        part: (_cost_parts(before.plan)[part], amount)
        for part, amount in _cost_parts(after.plan).items()
    }
    return PlanDifference(
        currency=after.plan.currency,
        before=summarise(before).sentence,
        after=summarise(after).sentence,
        loads=tuple(changes),
        kept_loads=kept,
        shortages=tuple(_shortage_changes(before.plan, after.plan)),
        runs=tuple(_run_changes(before.plan, after.plan)),
        purchases=tuple(_purchase_changes(before.plan, after.plan)),
        inputs=inputs,
        costs=costs,
        begins_before=begins_before,
        begins_after=begins_after,
    )


def _given(plan: Plan) -> frozenset[str]:
    """Return the names of loads that the plan did not choose and that have not left."""
    kinds = (LoadKind.PROMISED, LoadKind.FROZEN)
    return frozenset(load.load_id for load in plan.loads if load.kind in kinds)


def _from_day(plan: Plan, day: date, waiting: frozenset[str]) -> Plan:
    """Return what a plan still has to come on a day, and what of its loads is waiting then.

    All of it where the plan begins no earlier.
    """
    if day <= plan.period_starts[0]:
        return plan
    return replace(
        plan,
        loads=tuple(
            load for load in plan.loads if load.loading_day >= day or load.load_id in waiting
        ),
        demand=tuple(row for row in plan.demand if plan.period_starts[row.period - 1] >= day),
        runs=tuple(row for row in plan.runs if plan.period_starts[row.period - 1] >= day),
        purchases=tuple(row for row in plan.purchases if plan.period_starts[row.period - 1] >= day),
    )


def _cost_parts(plan: Plan) -> dict[str, float]:
    return asdict(plan.costs) | {"sales": -plan.costs.sales, "total": plan.costs.total}


def _groups(plan: Plan) -> dict[Group, list[PlannedLoad]]:
    found: dict[Group, list[PlannedLoad]] = defaultdict(list)
    for load in sorted(plan.loads, key=lambda one: (one.loading_day, one.lpa)):
        if load.kind is not LoadKind.UNDER_WAY:
            liquids = " + ".join(sorted({part.liquid for part in load.parts}))
            found[load.lane, load.tank_type, liquids].append(load)
    return found


def _load_changes(before: Plan, after: Plan) -> tuple[list[LoadChange], int]:
    earlier, later = _groups(before), _groups(after)
    changes: list[LoadChange] = []
    kept = 0
    for group in sorted({*earlier, *later}):
        pairs = _paired(earlier.get(group, []), later.get(group, []))
        for old, new in pairs:
            change = _change_of(old, new)
            kept += not change
            if change:
                changes.append(_as_change(change, group, old, new))
    changes.sort(key=lambda one: (one.day_after or one.day_before or date.max, one.lane))
    return changes, kept


Pair = tuple[PlannedLoad | None, PlannedLoad | None]


def _paired(old: list[PlannedLoad], new: list[PlannedLoad]) -> list[Pair]:
    """Pair loads of one group: of one name, of one day, then in the order of time."""
    pairs: list[Pair] = []
    left_old, left_new = list(old), list(new)

    def pair(alike: Callable[[PlannedLoad, PlannedLoad], bool]) -> None:
        for load in tuple(left_old):
            same = next((one for one in left_new if alike(load, one)), None)
            if same is not None:
                pairs.append((load, same))
                left_old.remove(load)
                left_new.remove(same)

    pair(lambda was, now: now.load_id == was.load_id and now.kind is not LoadKind.PLANNED)
    pair(lambda was, now: now.loading_day == was.loading_day)
    moved = list(zip(left_old, left_new, strict=False))
    pairs += moved
    pairs += [(load, None) for load in left_old[len(moved) :]]
    pairs += [(None, load) for load in left_new[len(moved) :]]
    return pairs


def _change_of(old: PlannedLoad | None, new: PlannedLoad | None) -> str:
    if old is None:
        return "added"
    if new is None:
        return "dropped"
    if old.loading_day != new.loading_day:
        return "moved"
    return "amount" if abs(old.lpa - new.lpa) > SAME_LPA else ""


def _as_change(
    change: str, group: Group, old: PlannedLoad | None, new: PlannedLoad | None
) -> LoadChange:
    lane, tank_type, liquids = group
    return LoadChange(
        change=change,
        lane=lane,
        tank_type=tank_type,
        liquids=liquids,
        day_before=old.loading_day if old else None,
        day_after=new.loading_day if new else None,
        lpa_before=old.lpa if old else 0.0,
        lpa_after=new.lpa if new else 0.0,
    )


def _short(plan: Plan) -> dict[tuple[date, str, str, str], float]:
    found: dict[tuple[date, str, str, str], float] = defaultdict(float)
    for row in plan.demand:
        day = plan.period_starts[row.period - 1]
        found[day, row.site, row.liquid, row.priority] += row.open_lpa
    return found


def _run_changes(before: Plan, after: Plan) -> Iterator[RunChange]:
    def charges(plan: Plan) -> dict[tuple[date, str, str, str], float]:
        found: dict[tuple[date, str, str, str], float] = defaultdict(float)
        for row in plan.runs:
            found[plan.period_starts[row.period - 1], row.site, row.still, row.recipe] += (
                row.charges
            )
        return found

    for (day, site, still, recipe), was, now in _differing(
        charges(before), charges(after), SAME_CHARGES
    ):
        yield RunChange(site, still, recipe, day, was, now)


def _purchase_changes(before: Plan, after: Plan) -> Iterator[PurchaseChange]:
    def bought(plan: Plan) -> dict[tuple[date, str, str], float]:
        found: dict[tuple[date, str, str], float] = defaultdict(float)
        for row in plan.purchases:
            found[plan.period_starts[row.period - 1], row.supplier, row.liquid] += row.lpa
        return found

    for (day, supplier, liquid), was, now in _differing(bought(before), bought(after), SAME_LPA):
        yield PurchaseChange(supplier, liquid, day, was, now)


Key = TypeVar("Key", bound=tuple[Any, ...])


def _differing(
    before: Mapping[Key, float], after: Mapping[Key, float], same: float
) -> Iterator[tuple[Key, float, float]]:
    """Yield what differs by more than counts as the same, by day and then by name."""
    for key in sorted({*before, *after}):
        was, now = before.get(key, 0.0), after.get(key, 0.0)
        if abs(was - now) > same:
            yield key, was, now


def _shortage_changes(before: Plan, after: Plan) -> list[ShortageChange]:
    return [
        ShortageChange(site, liquid, priority, day, was, now)
        for (day, site, liquid, priority), was, now in _differing(
            _short(before), _short(after), NOTHING_LPA
        )
    ]
