"""Writes a workspace to begin with: sized by its demand, so that it plans at once.

What nobody said is assumed: a supplier, a distillery, a lane to each bottler, tanks for two months
of use, stills for one and a half times the demand. It all stands in ``scenario.yaml``, commented.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from bulkflow.errors import Fault, InputError
from bulkflow.reading.tablefiles import TableAddress
from bulkflow.scenario.model import DemandRow
from bulkflow.scenario.tables import TABLES, read_table
from bulkflow.scenario.writer import table_cells
from bulkflow.whole_files import written_whole
from bulkflow.wording import listed

__all__ = ["begin_workspace"]

NEUTRAL, SUPPLIER, DISTILLERY = "NEUTRAL", "SPIRIT-SUPPLIER", "DISTILLERY"
WEEK = timedelta(days=7)
QUARTER, LEAST_AFTER, LONGEST = 13, 6, 104  # periods
NEUTRAL_STRENGTH, STRENGTH = 0.964, 0.80
HEARTS = 0.82
CHARGES_A_WEEK, CHARGE_LPA = 10, 10_000.0 * 0.60
LEAST_TANK_LITRES = 60_000.0  # two loads, and a week's use beside them
DUTY_PER_LPA = 20.0
WEEKS_ON_THE_ROAD = 8
# Of the example: site, liquid, LPA a week.
EXAMPLE = (
    ("HARBOUR", "DRY", 9_000.0),
    ("HARBOUR", "CITRUS", 4_000.0),
    ("COAST", "DRY", 6_000.0),
)


@dataclass(frozen=True, slots=True)
class _Use:
    """LPA a week of a liquid at a site, on average and at most, and its markets."""

    site: str
    liquid: str
    weekly: float
    most: float
    market: str


def begin_workspace(folder: Path, start: date, demand: Path | None = None) -> tuple[Path, ...]:
    """Write a workspace into a new or empty folder; return its files.

    Parameters
    ----------
    start : first day of the plan, where the demand does not say it.
    demand : a planner's own table of demand (CSV or workbook), in LPA.

    Raises
    ------
    InputError
        The folder holds something; the table cannot be read, or asks for cases.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        mend = "Give a new folder, or an empty one; nothing was overwritten."
        raise InputError(Fault(str(folder), 0, "", "is not empty", mend))
    rows = _example(start) if demand is None else _read(demand)
    files = {
        "scenario.yaml": _scenario(folder, rows),
        "demand.csv": _table("demand", _demand_cells(rows)),
        "opening_stock.csv": _table("opening_stock", _stock_cells(rows)),
        "opening_lots.csv": _table("opening_lots", _lot_cells(rows)),
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        found = f"cannot be made ({error.strerror})"
        raise InputError(Fault(str(folder), 0, "", found, "Give a folder elsewhere.")) from error
    for name, text in files.items():
        with written_whole(folder / name) as stream:
            stream.write(text)
    return tuple(folder / name for name in files)


def _example(start: date) -> list[DemandRow]:
    return [
        DemandRow(site=site, period_start=start + week * WEEK, liquid=liquid, lpa=lpa)
        for site, liquid, lpa in EXAMPLE
        for week in range(QUARTER + LEAST_AFTER)
    ]


def _read(file: Path) -> list[DemandRow]:
    """Read a demand table as a workspace's is read, with every fault of it."""
    read = read_table(TableAddress(file.parent, "demand", file.name, 0).read(), TABLES["demand"])
    if read.faults:
        raise InputError(read.faults)
    rows = [(row.line, row.record) for row in read.rows if isinstance(row.record, DemandRow)]
    mend = "Give liquid_id and lpa; cases need a product, which scenario.yaml declares."
    faults = [
        Fault(read.file, line, "cases", "are asked for", mend)
        for line, row in rows
        if row.lpa is None or row.liquid is None
    ]
    taken = {NEUTRAL: "liquid", SUPPLIER: "site", DISTILLERY: "site"}
    faults += [
        Fault(read.file, line, f"{kind}_id", f"is {name!r}, which is made up here",
              "Give it another name.")
        for line, row in rows
        for name, kind in taken.items()
        if name == (row.liquid if kind == "liquid" else row.site)
    ]  # fmt: skip
    if faults:
        raise InputError(faults)
    return [row for _, row in rows]


# --- what it holds ------------------------------------------------------------------------------


def _span(rows: Sequence[DemandRow]) -> tuple[date, int, int]:
    """Return the first day, the weeks of the quarter and of the horizon."""
    first, last = min(r.period_start for r in rows), max(r.period_start for r in rows)
    weeks = (last - first).days // WEEK.days + 1
    if weeks > LONGEST:
        mend = f"Give {LONGEST} weeks at most."
        raise InputError(Fault("", 0, "the demand", f"spans {weeks} weeks", mend))
    quarter = min(QUARTER, weeks)
    return first, quarter, max(weeks, quarter + LEAST_AFTER)


def _uses(rows: Sequence[DemandRow]) -> list[_Use]:
    first, _, _ = _span(rows)
    asked: dict[tuple[str, str], dict[int, float]] = defaultdict(lambda: defaultdict(float))
    markets: dict[str, str] = {}
    for row in rows:
        week = (row.period_start - first).days // WEEK.days
        asked[row.site, row.liquid or ""][week] += row.lpa or 0.0
        markets.setdefault(row.site, row.market or "HOME")
    weeks = max(max(by_week) for by_week in asked.values()) + 1
    return [
        _Use(site, liquid, sum(by_week.values()) / weeks, max(by_week.values()), markets[site])
        for (site, liquid), by_week in sorted(asked.items())
    ]


def _scenario(folder: Path, rows: Sequence[DemandRow]) -> str:
    uses = _uses(rows)
    start, quarter, horizon = _span(rows)
    by_liquid: dict[str, float] = defaultdict(float)
    by_site: dict[str, list[_Use]] = defaultdict(list)
    for use in uses:
        by_liquid[use.liquid] += use.weekly
        by_site[use.site].append(use)
    total = sum(by_liquid.values())
    stills = math.ceil(1.5 * total / (CHARGES_A_WEEK * CHARGE_LPA * HEARTS)) or 1
    name = folder.resolve().name or "workspace"
    environment = Environment(
        loader=PackageLoader("bulkflow.begin", "templates"),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        autoescape=False,
        finalize=_plain,
    )
    return environment.get_template("scenario.yaml").render(
        name=_quoted(name),
        start=start,
        quarter=quarter,
        horizon=horizon,
        supplier=SUPPLIER,
        distillery=DISTILLERY,
        duty=DUTY_PER_LPA,
        guarantee=_up(max(1e6, WEEKS_ON_THE_ROAD * total * DUTY_PER_LPA), 100_000.0),
        neutral_litres=_tank(total / HEARTS / NEUTRAL_STRENGTH, 0.0),
        liquids=[
            {"id": _quoted(liquid), "recipe": _quoted(f"distil-{liquid}"[:40]),
             "tank": f"D{number}", "litres": _tank(weekly / STRENGTH, 0.0)}
            for number, (liquid, weekly) in enumerate(sorted(by_liquid.items()), 1)
        ],
        stills=[f"STILL-{number}" for number in range(1, stills + 1)],
        sites=[
            {"id": _quoted(site), "market": _quoted(found[0].market),
             "lane": _quoted(f"to-{site}"[:40]),
             "tanks": [
                 {"id": f"T{number}", "liquid": _quoted(use.liquid),
                  "litres": _tank(use.weekly / STRENGTH, use.most / STRENGTH),
                  "weekly": float(round(use.weekly)), "twice": float(round(2 * use.weekly))}
                 for number, use in enumerate(found, 1)
             ]}
            for site, found in by_site.items()
        ],
        markets=_named((row.market or "HOME") for row in rows),
        priorities=_named((row.priority or "core") for row in rows),
    )  # fmt: skip


def _named(names: Iterable[str]) -> list[str]:
    return [_quoted(name) for name in sorted(set(names))]


def _quoted(text: str) -> str:
    """Return a text as YAML reads it back, whatever it looks like."""
    return json.dumps(text, ensure_ascii=False)


def _plain(value: Any) -> Any:
    return f"{value:.1f}" if isinstance(value, float) else value


def _up(value: float, step: float) -> float:
    return math.ceil(value / step) * step


def _tank(weekly_litres: float, most_litres: float) -> float:
    """Return the litres of a tank for eight weeks of use, or for the most of one and a load."""
    return _up(max(LEAST_TANK_LITRES, 8 * weekly_litres, most_litres + 30_000.0), 5_000.0)


def _stock_cells(rows: Sequence[DemandRow]) -> list[dict[str, Any]]:
    uses = _uses(rows)
    total = sum(use.weekly for use in uses)
    return [
        {"site_id": DISTILLERY, "liquid_id": NEUTRAL, "lpa": round(2 * total / HEARTS),
         "supplier_id": SUPPLIER},
        *({"site_id": use.site, "liquid_id": use.liquid,
           "lpa": round(max(4 * use.weekly, use.most))} for use in uses),
    ]  # fmt: skip


def _lot_cells(rows: Sequence[DemandRow]) -> list[dict[str, Any]]:
    start, _, _ = _span(rows)
    weekly: dict[str, float] = defaultdict(float)
    for use in _uses(rows):
        weekly[use.liquid] += use.weekly
    return [
        {"lot_id": f"{liquid}-1", "liquid_id": liquid, "site_id": DISTILLERY,
         "tank_id": f"D{number}", "litres_20c": round(3 * lpa / STRENGTH),
         "strength_percent": 80.0, "status": "released", "made_on": start - 2 * WEEK,
         "spirit_base": "cereal", "supplier_id": SUPPLIER}
        for number, (liquid, lpa) in enumerate(sorted(weekly.items()), 1)
    ]  # fmt: skip


def _demand_cells(rows: Sequence[DemandRow]) -> list[dict[str, Any]]:
    table = TABLES["demand"]
    names = [column.name for column in table.columns]
    return [dict(zip(names, table_cells(table, row), strict=True)) for row in rows]


def _table(name: str, rows: Sequence[dict[str, Any]]) -> str:
    names = [column.name for column in TABLES[name].columns]
    assert all(set(row) <= set(names) for row in rows), listed(names)
    out = io.StringIO()
    writer = csv.DictWriter(out, names, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows({key: "" if value is None else value for key, value in row.items()}
                     for row in rows)  # fmt: skip
    return out.getvalue()
