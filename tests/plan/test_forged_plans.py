"""No number, day, name or flag of a plan can be changed unseen: each is forged, one at a time.

Left out is what no rule gives: names of planned loads, the solver's own account of its search, and
the bound (proved anew on request).
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import fields, replace
from datetime import date, timedelta
from enum import Enum
from typing import Any

import pytest

from bulkflow.plan.check import check_plan
from bulkflow.program.answer import LoadKind, Plan
from tests.plan import everything

TABLES = ("loads", "purchases", "runs", "let_downs", "vattings", "stocks", "tank_settings",
          "demand", "feints_sales", "guarantee_use", "duty_due")  # fmt: skip
Forgery = tuple[str, Plan]


def others(values: list[Any], value: Any) -> list[Any]:
    return sorted({one for one in values if one != value}, key=str)[:1]


def forged_values(name: str, value: Any, column: list[Any]) -> list[Any]:
    """Return other values that a field of a table might be given."""
    if isinstance(value, bool):
        return [not value]
    if isinstance(value, Enum):
        return [one for one in type(value) if one is not value]
    if isinstance(value, int):
        return [value + 1, value - 1]
    if isinstance(value, float):
        return [value + max(1.0, 1e-4 * value), 0.5 * value - 0.3]
    if isinstance(value, date):
        return [value + timedelta(days=1), value - timedelta(days=7)]
    if isinstance(value, str):
        return others([one for one in column if one], value)
    return [one for one in forged_parts(value) if one != value]


def forged_parts(value: tuple[Any, ...]) -> Iterator[tuple[Any, ...]]:
    """Yield the parts of a load, inputs or what is served with one of their own changed."""
    for place, part in enumerate(value):
        before, after = value[:place], value[place + 1 :]
        yield (*before, *after)
        yield (*before, part, part, *after)
        if isinstance(part, tuple):
            yield (*before, (*part[:-1], part[-1] + 1.0), *after)
            yield (*before, ("not-for:EASTERN" if "any" in part else "any", *part[1:]), *after)
            continue
        for field in fields(part):
            known = getattr(part, field.name)
            for other in forged_values(field.name, known, ["DRY", "GRAIN", "any"]):
                yield (*before, replace(part, **{field.name: other}), *after)


def forgeries(plan: Plan) -> Iterator[Forgery]:
    """Yield a plan with one thing of it changed, and what that is."""
    for table in TABLES:
        rows = getattr(plan, table)
        for place, row in enumerate(rows):
            where = f"{table}[{place}]"
            yield f"{where} left out", replace(plan, **{table: rows[:place] + rows[place + 1 :]})
            yield f"{where} twice", replace(plan, **{table: (*rows, row)})
            for field in fields(row):
                value, column = getattr(row, field.name), [getattr(one, field.name) for one in rows]
                if field.name == "load_id" and table == "loads" and free(row):
                    continue
                for other in forged_values(field.name, value, column):
                    changed = replace(row, **{field.name: other})
                    told = f"{where}.{field.name} {value!r:.60} -> {other!r:.60}"
                    yield (
                        told,
                        replace(plan, **{table: (*rows[:place], changed, *rows[place + 1 :])}),
                    )
    for field in fields(plan.costs):
        more = replace(plan.costs, **{field.name: getattr(plan.costs, field.name) + 1.0})
        yield f"costs.{field.name}", replace(plan, costs=more)
    yield "proof.cost", replace(plan, proof=replace(plan.proof, cost=plan.proof.cost - 1.0))
    yield "currency", replace(plan, currency="USD")
    yield "quarter", replace(plan, quarter_periods=plan.quarter_periods - 1)
    yield "name", replace(plan, scenario_name="Another")
    yield "a period less", replace(plan, period_starts=plan.period_starts[:-1])


def free(load: Any) -> bool:
    return load.kind is LoadKind.PLANNED


def passing(seed: int, count: int) -> list[str]:
    """Return which of some forgeries, chosen at random, pass the check."""
    scenario, plan = everything.scenario(), everything.result().plan
    everyone = list(forgeries(plan))
    chosen = random.Random(seed).sample(everyone, min(count, len(everyone)))
    return [told for told, forged in chosen if check_plan(scenario, forged).passed]


def test_forged_plans_are_caught():
    assert passing(seed=1, count=80) == []


@pytest.mark.full
@pytest.mark.parametrize("seed", range(2, 6))
def test_many_forged_plans_are_caught(seed: int):
    assert passing(seed, count=700) == []
