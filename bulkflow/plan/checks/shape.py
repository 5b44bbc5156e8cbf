"""What must hold before a plan can be worked through: known names, real numbers, right calendar."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from datetime import date

from bulkflow.plan.checks.watch import WHOLE, Check, Watch
from bulkflow.program.answer import LoadKind, Plan
from bulkflow.scenario.model import Scenario

__all__ = ["shape_checks"]

ROWS = (
    "loads", "purchases", "runs", "let_downs", "vattings", "stocks", "tank_settings", "demand",
    "feints_sales", "guarantee_use", "duty_due",
)  # fmt: skip


def shape_checks(scenario: Scenario, plan: Plan) -> list[Check]:
    """Return the checks without which no other makes sense."""
    return [_names(scenario, plan), _numbers(plan), _calendar(scenario, plan)]


def _names(scenario: Scenario, plan: Plan) -> Check:
    watch = Watch(
        "names", "every site, liquid, lane and record named is in the workspace", (), WHOLE
    )
    known = _known_names(scenario)
    for table in ROWS:
        for row in getattr(plan, table):
            for kind, name in _named(row):
                watch.holds(
                    name in known[kind],
                    f"a row of {table} names the {kind.replace('_', ' ')} {name!r},"
                    f" which the workspace does not have",
                )
    ids = [load.load_id for load in plan.loads]
    for load_id in sorted(one for one, count in Counter(ids).items() if count > 1):
        watch.wrong(f"load {load_id} stands in the plan more than once")
    return watch.result()


def _known_names(scenario: Scenario) -> dict[str, set[str]]:
    sites = {one.id for one in scenario.sites}
    suppliers = {one.id for one in scenario.suppliers}
    return {
        "site": sites,
        "supplier": suppliers,
        "origin": sites | suppliers,
        "destination": sites,
        "liquid": {one.id for one in scenario.liquids},
        "makes": {one.id for one in scenario.liquids},
        "lane": {one.id for one in scenario.lanes},
        "recipe": {one.id for one in scenario.recipes},
        "still": {still.id for site in scenario.sites for still in site.stills},
        "tank": {tank.id for site in scenario.sites for tank in site.tanks},
        "tank_type": {one.id for one in scenario.tank_types},
        "priority": {one.id for one in scenario.priorities},
        "guarantee": {one.id for one in scenario.guarantees},
    }


def _named(row: object) -> Iterator[tuple[str, str]]:
    """Yield the names in a row, with the kind of record each must be."""
    kinds = (
        "site", "supplier", "origin", "destination", "liquid", "makes", "lane", "recipe", "still",
        "tank", "tank_type", "priority", "guarantee",
    )  # fmt: skip
    for kind in kinds:
        if hasattr(row, kind):
            yield kind, getattr(row, kind)
    for part in getattr(row, "parts", ()):
        yield "liquid", part.liquid
    for liquid, _, _ in getattr(row, "inputs", ()):
        yield "liquid", liquid


def _numbers(plan: Plan) -> Check:
    watch = Watch("numbers", "every amount is a number and none is below zero", (), WHOLE)
    for table in ROWS:
        for row in getattr(plan, table):
            for where, amount in _amounts(row):
                watch.holds(
                    math.isfinite(amount) and amount >= 0.0, f"{where} in {table} is {amount}"
                )
    for where, amount in (*_amounts(plan.costs), *_amounts(plan.proof)):
        watch.holds(not math.isnan(amount), f"{where} is not a number")
    return watch.result()


def _amounts(value: object, where: str = "") -> Iterator[tuple[str, float]]:
    """Yield every number in a row, through its nested rows and tuples."""
    if isinstance(value, bool | str | date):
        return
    if isinstance(value, int | float):
        yield where, float(value)
    elif isinstance(value, tuple):
        for one in value:
            yield from _amounts(one, where)
    elif is_dataclass(value):
        for field in fields(value):
            yield from _amounts(getattr(value, field.name), field.name)


def _calendar(scenario: Scenario, plan: Plan) -> Check:
    from bulkflow.plan.checks.days import Days

    watch = Watch(
        "calendar",
        "the plan's periods and currency are the workspace's, each period shown once",
        (),
        WHOLE,
    )
    days = Days(scenario)
    watch.same(plan.scenario_name, scenario.name, "the scenario")
    watch.same(plan.currency, scenario.currency, "the currency")
    watch.same(plan.quarter_periods, scenario.calendar.quarter_periods, "the quarter")
    watch.same(len(plan.period_starts), days.count, "the number of periods")
    for period, start in enumerate(plan.period_starts, start=1):
        watch.same(start, days.first(period), f"the start of period {period}")
    for table in ROWS:
        earliest = 0 if table == "stocks" else 1
        for row in getattr(plan, table):
            if getattr(row, "kind", None) is LoadKind.UNDER_WAY:
                continue
            watch.holds(
                earliest <= row.period <= days.count,
                f"period {row.period} in {table} lies outside 1..{days.count}",
            )
    for what, shown in _series(plan).items():
        first = 1 if what.startswith("use") else 0
        whole = list(range(first, days.count + 1))
        watch.holds(sorted(shown) == whole, f"{what} is not shown once for every period")
    return watch.result()


def _series(plan: Plan) -> dict[str, list[int]]:
    """Return the periods for which stocks and guarantees are shown."""
    found: dict[str, list[int]] = defaultdict(list)
    for level in plan.stocks:
        found[f"stock of {level.liquid} ({level.origin_class}) at {level.site}"] += [level.period]
    for use in plan.guarantee_use:
        found[f"use of {use.guarantee}"] += [use.period]
    return found
