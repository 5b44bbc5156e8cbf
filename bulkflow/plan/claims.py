"""What a kept plan says beyond its rows, derived anew: summary, sums, gap, findings, gates, checks.

The rows are checked against the workspace by ``bulkflow.plan.check``. A reader of a plan relies on
its headline and flags as much; each is worked out from the rows here and held against what the
document says. What cannot be derived (the bound, what holds cost, reasons) is a claim, and named
as one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from bulkflow.plan.check import CheckReport, check_plan
from bulkflow.plan.checks.watch import Measure, Watch
from bulkflow.plan.document import to_document
from bulkflow.plan.make import checked_result, placed
from bulkflow.plan.precheck import findings
from bulkflow.plan.result import HoldCost, PlanResult
from bulkflow.scenario.model import Scenario

__all__ = ["check_kept"]

# Two sums of the same amounts; what was written keeps every digit.
SAME = Measure("", 1e-6, 1e-9)
# What of a gate follows from the plan and the workspace; the rest is what it was priced at.
OF_GATE = (
    "liquid", "site", "status", "lpa", "decision_due", "enters_period", "note", "loads",
)  # fmt: skip
SECTIONS: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "summary": ("the summary is what follows from the rows", ()),
    "costs": ("the sums of the cost are those of its parts", ("total", "changeable")),
    "proof": ("the gap is that of cost and bound", ("gap", "gap_changeable")),
    "priorities": ("the priorities are the workspace's", ()),
    "misses": ("floors, targets and lives missed are those of the rows", ()),
    "findings": ("the findings are the workspace's", ("severity", "words")),
    "holds": ("lots held and awaiting, and their loads, are the workspace's", ()),
    "checks": ("the checks kept are those made now", ("id", "passed", "compared", "failures")),
}
"""Each part of the document that is derived, what is claimed of it, and which keys (all: none)."""


def check_kept(scenario: Scenario, kept: PlanResult, document: Mapping[str, Any]) -> CheckReport:
    """Check a kept plan: its rows against the workspace, and its headline against its rows.

    Parameters
    ----------
    kept, document : the plan, and the document it was read from as plain data.
    """
    report = check_plan(scenario, kept.plan)
    if not any(check.id == "cost" for check in report.checks):
        return report  # names, numbers or calendar are wrong: nothing can be derived
    derived = to_document(_anew(scenario, kept, report))
    checks = []
    for section, (words, keys) in SECTIONS.items():
        if document.get(section) is None:  # kept before there was such a part
            continue
        watch = Watch(f"kept-{section}", words, (), SAME)
        _hold(watch, _only(document[section], keys), _only(derived[section], keys), section)
        checks.append(watch.result())
    return CheckReport((*report.checks, *checks))


def _anew(scenario: Scenario, kept: PlanResult, report: CheckReport) -> PlanResult:
    found = placed(findings(scenario), scenario, None)
    fresh = checked_result(scenario, kept.plan, found, report)
    priced = {one.lot_id: one for one in kept.holds}
    return replace(
        fresh,
        holds=tuple(_gate(one, priced.get(one.lot_id), kept) for one in fresh.holds),
        explanations=kept.explanations,
        held_loads=kept.held_loads,
        register=kept.register,
        chain_head=kept.chain_head,
    )


def _gate(gate: HoldCost, priced: HoldCost | None, kept: PlanResult) -> HoldCost:
    """Return a gate as it follows from the plan, with what the document says that it costs."""
    if priced is None:
        return gate
    cost = None if priced.cost_as_is is None else kept.plan.proof.cost
    return replace(priced, cost_as_is=cost, **{name: getattr(gate, name) for name in OF_GATE})


def _only(part: Any, keys: tuple[str, ...]) -> Any:
    if not keys:
        return part
    if isinstance(part, Mapping):
        return {name: part[name] for name in keys}
    return [{name: row[name] for name in keys} for row in part]


def _hold(watch: Watch, said: Any, derived: Any, where: str) -> None:
    """Compare what a document says with what follows, leaf by leaf."""
    if isinstance(said, Mapping) and isinstance(derived, Mapping):
        for name in dict.fromkeys((*said, *derived)):
            _hold(watch, said.get(name), derived.get(name), f"{where}.{name}")
    elif isinstance(said, list) and isinstance(derived, list) and len(said) == len(derived):
        for number, (one, other) in enumerate(zip(said, derived, strict=True)):
            _hold(watch, one, other, f"{where}[{number}]")
    elif isinstance(said, list) and isinstance(derived, list):
        watch.wrong(f"{where} has {len(said)} rows, not {len(derived)}")
    elif _number(said) and _number(derived):
        watch.near(said, derived, where)
    else:
        watch.same(said, derived, where)


def _number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
