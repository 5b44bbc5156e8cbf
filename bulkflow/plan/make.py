"""From a workspace to a checked plan: what cannot work, the plan, its check, its gates."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace

from bulkflow.core.options import SolveOptions
from bulkflow.core.outcome import Progress
from bulkflow.errors import PlanningError
from bulkflow.plan.check import CheckReport, check_plan
from bulkflow.plan.checks.cost import find_misses
from bulkflow.plan.checks.ledger import Ledger
from bulkflow.plan.finding import Finding
from bulkflow.plan.holds import gates, price_gates
from bulkflow.plan.inputs import inputs_of
from bulkflow.plan.precheck import findings
from bulkflow.plan.reasons import short_reasons
from bulkflow.plan.result import PlanResult
from bulkflow.program.answer import Plan
from bulkflow.program.diagnosis import explain_shortages
from bulkflow.program.solve import make_plan, search_plan
from bulkflow.program.where_written import places_of
from bulkflow.scenario.model import Scenario
from bulkflow.scenario.reader import Workspace
from bulkflow.scenario.sources import SourceMap
from bulkflow.wording import listed

__all__ = [
    "BlockedError",
    "NamesOfLoads",
    "checked",
    "checked_result",
    "explained",
    "placed",
    "plan_scenario",
    "plan_workspace",
    "price_holds",
]

NamesOfLoads = Callable[[Plan], Plan]
"""Gives the loads of a plan the names they are known by already."""

# Work for each plan made to price a gate (`bulkflow.core.deadline`), its nodes and its rounds: more
# narrow what a gate costs by little beside the gap of the plan itself.
HOLD_WORK = 3.0
HOLD_ROUNDS = 3
HOLD_NODES = 10

OnProgress = Callable[[Progress], None]


class BlockedError(PlanningError):
    """Something was found that lets no plan meet the rules; carries all findings."""

    def __init__(self, found: tuple[Finding, ...]) -> None:
        self.findings = found
        blocking = [str(one) for one in found if one.severity == "blocks"]
        super().__init__(
            "No plan can meet the rules:\n" + "\n".join(f"  {one}" for one in blocking)
        )


def plan_scenario(
    scenario: Scenario,
    options: SolveOptions,
    *,
    on_progress: OnProgress | None = None,
    stop: threading.Event | None = None,
    sources: SourceMap | None = None,
    start: Plan | None = None,
    name_loads: NamesOfLoads | None = None,
) -> PlanResult:
    """Plan a scenario and check the plan; the only way a plan is made to be shown.

    Parameters
    ----------
    sources : where the scenario was written, to name file and line where no plan exists.
    start : a plan made before, of this scenario or one much like it, to start from.
    name_loads : gives planned loads the names they are known by elsewhere.

    Raises
    ------
    BlockedError
        Something found before solving lets no plan meet the rules.
    NoPlanError
        No plan meets every rule; with the rules that cannot hold together.
    PlanningError
        None was found before the search was stopped.
    VerificationError
        The plan failed its independent check.
    """
    found = placed(findings(scenario), scenario, sources)
    if any(one.severity == "blocks" for one in found):
        raise BlockedError(found)
    plan = make_plan(
        scenario, options, on_progress=on_progress, stop=stop, sources=sources, start=start
    )
    return checked(scenario, plan if name_loads is None else name_loads(plan), found)


def plan_workspace(
    workspace: Workspace,
    options: SolveOptions,
    *,
    on_progress: OnProgress | None = None,
    stop: threading.Event | None = None,
    start: Plan | None = None,
    name_loads: NamesOfLoads | None = None,
) -> PlanResult:
    """Plan a workspace that was read from files; see ``plan_scenario``."""
    return plan_scenario(
        workspace.scenario,
        options,
        on_progress=on_progress,
        stop=stop,
        sources=workspace.sources,
        start=start,
        name_loads=name_loads,
    )


def placed(
    found: tuple[Finding, ...], scenario: Scenario, sources: SourceMap | None
) -> tuple[Finding, ...]:
    """Return findings with the file and line of their records."""
    return tuple(
        replace(
            one,
            places=tuple(
                dict.fromkeys(str(place) for place in places_of(scenario, one.records, sources))
            ),
        )
        for one in found
    )


def checked(scenario: Scenario, plan: Plan, found: tuple[Finding, ...]) -> PlanResult:
    """Return a plan with its check, or raise where the check fails."""
    report = check_plan(scenario, plan)
    report.raise_for_failures()
    return checked_result(scenario, plan, found, report)


def checked_result(
    scenario: Scenario, plan: Plan, found: tuple[Finding, ...], report: CheckReport
) -> PlanResult:
    """Return a plan with all that follows from it and the scenario, whatever its check says."""
    unmet = tuple((one.id, one.unmet) for one in scenario.priorities)
    return PlanResult(
        plan,
        report,
        unmet,
        found,
        gates(scenario, plan),
        misses=tuple(find_misses(Ledger(scenario, plan))),
        inputs=inputs_of(scenario),
    )


def price_holds(
    scenario: Scenario,
    result: PlanResult,
    options: SolveOptions,
    *,
    on_progress: OnProgress | None = None,
    stop: threading.Event | None = None,
) -> PlanResult:
    """Return the same plan with what each held or awaiting lot costs, by planning without it.

    Each search starts from the plan there is, is limited in work (`HOLD_WORK`), so
    that what comes out does not depend on the machine, and what it finds is checked too.
    """
    options = replace(
        options,
        work=HOLD_WORK if options.work is None else min(options.work, HOLD_WORK),
        max_rounds=_least(options.max_rounds, HOLD_ROUNDS),
        max_nodes=_least(options.max_nodes, HOLD_NODES),
    )

    def search(changed: Scenario) -> tuple[Plan | None, float]:
        found, bound = search_plan(
            changed, options, on_progress=on_progress, stop=stop, start=result.plan
        )
        if found is not None:
            check_plan(changed, found).raise_for_failures()
        return found, bound

    return replace(result, holds=price_gates(scenario, result.plan, result.holds, search))


def _least(given: int | None, most: int) -> int:
    return most if given is None else min(given, most)


def explained(
    scenario: Scenario,
    result: PlanResult,
    *,
    seconds: float | None = None,
    sources: SourceMap | None = None,
) -> PlanResult:
    """Return the same plan with a reason for every shortage, floor and target missed.

    The worst shortages, those of the quarter first, are explained by the rules in their way; where
    time runs out before these are found, by what is sure without looking for them.
    """
    found = explain_shortages(scenario, result.plan, sources=sources, seconds=seconds)
    settled = [one for one in found if one.verdict != "unsettled"]
    told = [(one.site, one.liquid, one.market, one.priority) for one in settled]
    reasons = [tuple(one.lines()) for one in settled] + [*short_reasons(scenario, result, told)]
    if open_still := [f"{one.liquid} at {one.site}" for one in found if one not in settled]:
        words = f"Which rules stand in the way of {listed(open_still)} was not found in the time"
        reasons.append((f"{words} given: look longer.",))
    return replace(result, explanations=tuple(reasons))
