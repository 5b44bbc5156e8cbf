"""What the loads of a plan are called: one name each, given once and kept for good.

The program names planned loads by lane, loading day and number. Where the register has loads
already, a load alike in lane, tank, day and liquids keeps the name it has there, and no name that
stands for another load is given again. So screen, report, tables, papers and register agree.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date

from bulkflow.loads.queries import LoadRecord
from bulkflow.loads.steps import CAN_BE_PLANNED_ANEW
from bulkflow.program.answer import LoadKind, Plan, PlannedLoad, free_load_name

__all__ = ["named_as_known", "names_of"]

_Key = tuple[str, str, date, tuple[str, ...]]


def names_of(loads: Sequence[PlannedLoad], known: Mapping[str, LoadRecord]) -> dict[str, str]:
    """Return what each load of a plan is called in the register, by its name in the plan."""
    free: dict[_Key, list[str]] = defaultdict(list)
    in_plan = {load.load_id for load in loads if load.kind is not LoadKind.PLANNED}
    for name, record in known.items():
        if record.state in CAN_BE_PLANNED_ANEW and name not in in_plan:
            liquids = tuple(sorted(part.liquid_id for part in record.parts))
            free[record.lane_id, record.tank_type, record.loading_day, liquids].append(name)
    taken = set(known) | in_plan
    names = {name: name for name in in_plan}
    planned = [load for load in loads if load.kind is LoadKind.PLANNED]
    # Whoever has its name already keeps it, before another alike takes it.
    for load in sorted(planned, key=lambda one: one.load_id not in free[_key(one)]):
        same = free[_key(load)]
        if same:
            name = load.load_id if load.load_id in same else same[0]
            same.remove(name)
        elif load.load_id not in taken:
            name = load.load_id
        else:
            name = free_load_name(load.lane, load.loading_day, taken)
        taken.add(name)
        names[load.load_id] = name
    return names


def _key(load: PlannedLoad) -> _Key:
    liquids = tuple(sorted({part.liquid for part in load.parts}))
    return load.lane, load.tank_type, load.loading_day, liquids


def named_as_known(plan: Plan, known: Mapping[str, LoadRecord]) -> Plan:
    """Return a plan whose loads are called as the register calls them."""
    names = names_of(plan.loads, known)
    return replace(
        plan,
        loads=tuple(replace(load, load_id=names[load.load_id]) for load in plan.loads),
        duty_due=tuple(replace(row, load_id=names[row.load_id]) for row in plan.duty_due),
    )
