"""The whole job in a notebook: read, look, change, plan, compare, draw.

A :class:`Quarter` is a workspace in hand, a :class:`QuarterPlan` a checked plan of it. Both show
themselves as a short table and give everything as pandas frames, with real dates. What is changed
here is read by the reader of files, so that the same rules hold, with the same words.

>>> import bulkflow
>>> quarter = bulkflow.read("scenarios/two_sites")
>>> plan = quarter.plan()
>>> slower = quarter.change({"lanes.sea.transit_days": 12}).plan(since=plan)
>>> bool(slower.compare(plan)["costs"].loc["total", "difference"] >= 0)
True
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from bulkflow.account.position import with_account
from bulkflow.core.options import SolveOptions
from bulkflow.errors import Fault, InputError
from bulkflow.plan.compare import compare_plans
from bulkflow.plan.document import to_document
from bulkflow.plan.frames import to_frames
from bulkflow.plan.make import explained, placed, plan_workspace, price_holds
from bulkflow.plan.precheck import findings
from bulkflow.plan.result import PlanResult
from bulkflow.plan.summary import summarise
from bulkflow.plan.write import read_plan_at, write_plan
from bulkflow.reading.words import did_you_mean
from bulkflow.report.calendars import calendar_pictures, calendar_words
from bulkflow.report.drawing import alone
from bulkflow.report.map import map_picture, placed_map
from bulkflow.report.page import render_report
from bulkflow.report.workbook import write_workbook
from bulkflow.scenario.reader import Workspace, read_workspace
from bulkflow.scenario.tables import TABLES
from bulkflow.scenario.writer import dump_workspace, plain_values, table_cells, write_workspace
from bulkflow.what_if import Receiver, WhatIf, changed, plan_what_if, read_changes
from bulkflow.whole_files import written_whole

__all__ = ["Quarter", "QuarterPlan", "WhatIfPlan", "build", "read", "read_plan"]

Frames = Mapping[str, pd.DataFrame]
Values = Mapping[str, Any]


def read(folder: str | Path) -> Quarter:
    """Read a workspace.

    Raises
    ------
    InputError
        With every fault of its files.
    """
    return Quarter(read_workspace(Path(folder)))


def build(values: Values, tables: Frames) -> Quarter:
    """Make a workspace of values and tables alone, without a folder.

    Parameters
    ----------
    values : what ``scenario.yaml`` would hold, as nested dicts and lists.
    tables : the workspace's tables by name (``demand``, ``opening_lots``...), with its columns.

    Raises
    ------
    InputError
        With every fault of the values and tables.
    """
    return Quarter(_read_back(values, tables, base=None))


def read_plan(place: str | Path, quarter: Quarter) -> QuarterPlan:
    """Read a plan of a quarter that was kept before: a ``plan.json``, or its folder."""
    return QuarterPlan(read_plan_at(Path(place)), quarter)


@dataclass(frozen=True, repr=False)
class Quarter:
    """A workspace in hand; never changed, only made anew.

    Parameters
    ----------
    workspace : as its reader gives it.
    register, chain_head : where the opening comes from; '' for the workspace's own tables.
    said : what was assumed or found when the register was opened.
    """

    workspace: Workspace
    register: str = ""
    chain_head: str = ""
    said: str = ""

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """Every table of the workspace by name; days are dates, lists are as in the file."""
        found = {}
        for name, table in TABLES.items():
            names = [column.name for column in table.columns]
            cells = [table_cells(table, row) for row in self._rows(table.field)]
            found[name] = _dated(pd.DataFrame(cells, columns=names))
        return found

    @property
    def values(self) -> dict[str, Any]:
        """What ``scenario.yaml`` says, as nested dicts and lists; defaults are left out."""
        return plain_values(self.workspace.scenario)

    @property
    def findings(self) -> pd.DataFrame:
        """What is found not to work before planning: severity, words, records, places."""
        scenario = self.workspace.scenario
        found = placed(findings(scenario), scenario, self.workspace.sources)
        columns = ["severity", "words", "records", "places"]
        return pd.DataFrame([[getattr(one, name) for name in columns] for one in found],
                            columns=columns)  # fmt: skip

    def change(self, values: Values | None = None, **tables: pd.DataFrame) -> Quarter:
        """Return the quarter with some values or tables changed, checked as files are.

        Parameters
        ----------
        values : path -> new value; a path names records by id, as ``guarantees.LV-MOVE.limit``.
            ``None`` takes a key away.
        tables : by name; each takes the place of the whole table.

        Raises
        ------
        InputError
            A path names nothing, or the outcome breaks a rule of the workspace; with every fault.
        """
        changed = plain_values(self.workspace.scenario)
        faults: list[Fault] = []
        for path, value in (values or {}).items():
            fault = _put(changed, path, value)
            faults += [fault] if fault else []
        if faults:
            raise InputError(faults)
        return replace(self, workspace=_read_back(changed, tables, base=self.workspace))

    def from_register(self, on: date | None = None, database: str | None = None) -> Quarter:
        """Return the quarter with its opening as the register has it on a day.

        Raises
        ------
        InputError
            As ``bulkflow plan --on`` does.
        """
        opened = with_account(self.workspace.scenario, self.workspace.folder, database, on=on)
        return Quarter(
            replace(self.workspace, scenario=opened.scenario),
            opened.register,
            opened.chain_head,
            opened.said,
        )

    def plan(
        self,
        options: SolveOptions | None = None,
        *,
        since: QuarterPlan | None = None,
        holds_priced: bool = False,
    ) -> QuarterPlan:
        """Plan the quarter and check the plan.

        Parameters
        ----------
        options : limits of the search; without any, the work that the command allows.
        since : an earlier plan to start from.
        holds_priced : also plan without each closed gate, to see what it costs.

        Raises
        ------
        PlanningError
            No plan can meet the rules.
        """
        options = options or SolveOptions()
        start = since.result.plan if since is not None else None
        result = plan_workspace(self.workspace, options, start=start)
        result = replace(result, register=self.register, chain_head=self.chain_head)
        scenario = self.workspace.scenario
        if holds_priced:
            result = price_holds(scenario, result, options)
        return QuarterPlan(explained(scenario, result, sources=self.workspace.sources), self)

    def what_if(
        self, *changes: str, since: QuarterPlan | None = None, options: SolveOptions | None = None
    ) -> WhatIfPlan:
        """Plan the quarter with changes, and say what they do, for whom, at what cost.

        Parameters
        ----------
        changes : each a line, as ``demand NORFOLK VK-DRY +20% 2027-04`` (`bulkflow.what_if`).
        since : the plan without them, of this quarter; without it one is made first.

        Raises
        ------
        InputError
            With every fault of every line.
        PlanningError
            No plan can meet the rules.
        """
        scenario = self.workspace.scenario
        read = read_changes(changes, scenario)
        before = since if since is not None else self.plan(options)
        found = plan_what_if(scenario, before.result, read, options or SolveOptions())
        changed_scenario = changed(scenario, read)
        quarter = replace(self, workspace=replace(self.workspace, scenario=changed_scenario))
        return WhatIfPlan(found, QuarterPlan(found.after, quarter), before)

    def save(self, folder: str | Path) -> None:
        """Write the workspace into an empty folder.

        Raises
        ------
        InputError
            The folder holds a workspace already.
        """
        dump_workspace(self.workspace.scenario, Path(folder))

    def _rows(self, name: str) -> tuple[Any, ...]:
        rows: tuple[Any, ...] = getattr(self.workspace.scenario, name)
        return rows

    def __repr__(self) -> str:
        scenario = self.workspace.scenario
        calendar = scenario.calendar
        return _short_table(
            scenario.name,
            {
                "from": f"{calendar.start}, {calendar.quarter_periods} of"
                f" {calendar.horizon_periods} periods in the quarter",
                "sites, lanes": f"{len(scenario.sites)}, {len(scenario.lanes)}",
                "liquids": ", ".join(one.id for one in scenario.liquids),
                "rows": ", ".join(f"{name} {len(self._rows(table.field))}"
                                  for name, table in TABLES.items() if self._rows(table.field)),
                "opening": self.register or "the workspace's tables",
            },
        )  # fmt: skip


@dataclass(frozen=True, repr=False)
class QuarterPlan:
    """A checked plan of a quarter."""

    result: PlanResult
    quarter: Quarter = field(repr=False)

    @property
    def sentence(self) -> str:
        """The state of the quarter, as the command and the report say it."""
        return summarise(self.result).sentence

    @property
    def frames(self) -> dict[str, pd.DataFrame]:
        """Every table of the plan by name; days are dates, periods have their first day."""
        first = dict(enumerate(self.result.plan.period_starts, start=1))
        frames = {}
        for name, frame in to_frames(self.result).items():
            dated = _dated(frame)
            if "period" in dated:
                days = pd.to_datetime(dated["period"].map(first))
                dated.insert(list(dated.columns).index("period") + 1, "period_start", days)
            frames[name] = dated
        return frames

    @property
    def loads(self) -> pd.DataFrame:
        """One row a load's tank or compartment."""
        return self.frames["loads"]

    @property
    def stocks(self) -> pd.DataFrame:
        """Stock of every site and liquid at the end of every period [LPA]."""
        return self.frames["stocks"]

    @property
    def duty(self) -> pd.DataFrame:
        """Duty at risk against each guarantee, by period."""
        return self.frames["guarantee_use"]

    @property
    def costs(self) -> pd.DataFrame:
        """The cost by part; ``total`` is all of it less sales."""
        return self.frames["costs"].set_index("part")

    @property
    def demand(self) -> pd.DataFrame:
        """Demand by period, and what became of it [LPA]."""
        return self.frames["demand"]

    def compare(self, earlier: QuarterPlan) -> dict[str, pd.DataFrame]:
        """Return what changed since an earlier plan: ``loads``, ``shortages`` and ``costs``."""
        found = compare_plans(earlier.result, self.result)
        costs = pd.DataFrame(found.costs, index=["before", "after"]).T.rename_axis("part")
        costs["difference"] = costs["after"] - costs["before"]
        return {
            "loads": _dated(pd.DataFrame(list(found.loads))),
            "shortages": _dated(pd.DataFrame(list(found.shortages))),
            "costs": costs,
        }

    def draw(self) -> dict[str, str]:
        """Return the report's pictures as SVG: ``map`` and ``calendar``."""
        plan, scenario = self.result.plan, self.quarter.workspace.scenario
        name = plan.scenario_name
        calendar = calendar_pictures(plan, {}, (), name="calendar",
                                     title=f"{name}: loads by lane and week",
                                     description=calendar_words(plan, {}))  # fmt: skip
        return {
            "map": alone(map_picture(placed_map(scenario, plan), scenario, plan, name="map",
                                     title=f"{name}: sites, lanes and loads",
                                     description="Sites, lanes, and the loads of each lane.")),
            "calendar": "\n".join(alone(one) for one in calendar),
        }  # fmt: skip

    def save(self, folder: str | Path) -> None:
        """Write plan, tables, report and workbook into a folder, as ``bulkflow plan --out``."""
        out = Path(folder)
        write_plan(self.result, out)
        with written_whole(out / "report.html") as stream:
            stream.write(render_report(self.result, self.quarter.workspace.scenario))
        write_workbook(self.result, self.quarter.workspace.scenario, out / "plan.xlsx")

    def document(self) -> dict[str, Any]:
        """Return the plan as plain data of the schema ``bulkflow-plan/1``."""
        return to_document(self.result)

    def __repr__(self) -> str:
        plan = self.result.plan
        checks = self.result.report
        return _short_table(
            plan.scenario_name,
            {
                "state": self.sentence,
                "loads": f"{plan.loads.__len__()} over the horizon",
                "cost": f"{plan.proof.cost:,.0f} {plan.currency}, gap {100 * plan.proof.gap:.2f} %",
                "checks": f"{sum(one.passed for one in checks.checks)} of {len(checks.checks)}"
                " passed",
                "frames": ", ".join(self.frames),
            },
        )


@dataclass(frozen=True, repr=False)
class WhatIfPlan:
    """A plan with changes beside the one without them.

    Parameters
    ----------
    plan, before : with the changes, and without.
    """

    found: WhatIf
    plan: QuarterPlan
    before: QuarterPlan

    @property
    def sentence(self) -> str:
        """What the changes do, for whom, and what they cost."""
        return self.found.sentence

    @property
    def receivers(self) -> pd.DataFrame:
        """Those for whom something changes: demand, LPA late or lost and loads, before and now."""
        columns = [one.name for one in fields(Receiver)]
        return pd.DataFrame([asdict(one) for one in self.found.receivers], columns=columns)

    def __repr__(self) -> str:
        told = "; ".join(one.words for one in self.found.changes)
        return _short_table("what if", {"changes": told, "then": self.sentence})


def _read_back(values: Values, tables: Frames, base: Workspace | None) -> Workspace:
    """Write values and tables as a workspace and read it: one set of rules, one set of words."""
    unknown = [name for name in tables if name not in TABLES]
    if unknown:
        raise InputError(
            Fault("", 0, name, "is no table of a workspace", did_you_mean(name, list(TABLES)))
            for name in unknown
        )
    with tempfile.TemporaryDirectory(prefix="bulkflow-") as folder:
        place = Path(folder)
        write_workspace(place, values, None if base is None else base.scenario, tables)
        try:
            read = read_workspace(place)
        except InputError as error:
            # Lines of a file that nobody sees say nothing; rows of a frame do.
            raise InputError(_without_file(fault) for fault in error.faults) from None
    if base is None:
        return read
    return replace(read, folder=base.folder, database_url=base.database_url)


def _without_file(fault: Fault) -> Fault:
    table = fault.file.partition(".")[0]
    if table not in TABLES:
        return replace(fault, file="", line=0)
    return replace(fault, file=table, line=max(0, fault.line - 1))


def _put(values: dict[str, Any], path: str, value: object) -> Fault | None:
    """Put a value at a path of keys and ids; return a fault where it leads nowhere."""
    at: Any = values
    *steps, last = path.split(".")
    for done, step in enumerate(steps):
        inner = _inner(at, step)
        if inner is None:
            where = ".".join(steps[: done + 1])
            return Fault("", 0, where, "is not in the workspace", did_you_mean(step, _names(at)))
        at = inner
    if isinstance(at, list):
        return Fault("", 0, path, "is a whole record", "Name one of its keys.")
    if value is None:
        at.pop(last, None)
    else:
        at[last] = value
    return None


def _inner(at: Any, step: str) -> Any:
    if isinstance(at, dict):
        inner = at.get(step)
        return inner if isinstance(inner, dict | list) else None
    return next((one for one in at if isinstance(one, dict) and one.get("id") == step), None)


def _names(at: Any) -> list[str]:
    if isinstance(at, dict):
        return [str(key) for key in at]
    return [str(one["id"]) for one in at if isinstance(one, dict) and "id" in one]


def _dated(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame whose columns of days are dates of pandas."""
    frame = frame.copy()
    for name in frame.columns:
        values = frame[name].dropna()
        if len(values) and values.map(_is_day).all():
            frame[name] = pd.to_datetime(frame[name])
    return frame


def _is_day(value: object) -> bool:
    if isinstance(value, date):
        return True
    if not isinstance(value, str) or len(value) != len("2027-01-04"):
        return False
    try:
        date.fromisoformat(value)
    except ValueError:
        return False
    return True


def _short_table(title: str, rows: Mapping[str, str]) -> str:
    width = max(len(name) for name in rows)
    lines = [title, *(f"  {name:<{width}}  {words}" for name, words in rows.items())]
    return "\n".join(lines)
