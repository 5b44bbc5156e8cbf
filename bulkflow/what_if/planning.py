"""A workspace planned again with changes, and what that does: for whom, and at what cost."""

from __future__ import annotations

import math
import threading
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from bulkflow.core.options import SolveOptions
from bulkflow.plan.compare import PlanDifference, compare_plans
from bulkflow.plan.make import NamesOfLoads, OnProgress, plan_scenario
from bulkflow.plan.result import PlanResult
from bulkflow.plan.summary import NOTHING_LPA
from bulkflow.program.answer import LoadKind, Plan
from bulkflow.scenario.model import Scenario
from bulkflow.what_if.grammar import Change, changed
from bulkflow.wording import amount, counted, money

__all__ = ["Receiver", "WhatIf", "plan_what_if"]


@dataclass(frozen=True, slots=True)
class Receiver:
    """What changes for one site and liquid with demand, over the horizon [LPA].

    Parameters
    ----------
    asked_before, asked : demand.
    short_before, short : open at the end of a period where it is carried (the most), or lost.
    """

    site: str
    liquid: str
    asked_before: float
    asked: float
    short_before: float
    short: float
    loads_before: int
    loads: int


@dataclass(frozen=True, slots=True)
class WhatIf:
    """A plan with changes beside the plan without them.

    Parameters
    ----------
    receivers : those for whom something changes.
    cost : money more than before; by the proofs it lies between ``least`` and ``most``, which are
        infinite where no bound was proved.
    """

    changes: tuple[Change, ...]
    before: PlanResult
    after: PlanResult
    difference: PlanDifference
    receivers: tuple[Receiver, ...]
    cost: float
    least: float
    most: float

    @property
    def sentence(self) -> str:
        """What the changes do, in two or three sentences."""
        currency = self.after.plan.currency
        more = f"{money(abs(self.cost))} {currency}"
        if abs(self.cost) < 1.0:
            costs = "It costs as much as before"
        else:
            costs = f"It costs {more} {'more' if self.cost > 0 else 'less'} over the horizon"
        if math.isfinite(self.least) and math.isfinite(self.most):
            costs += (
                f"; by the proofs the change is worth {_signed(self.least)} to"
                f" {_signed(self.most)} {currency}"
            )
        return f"{self._short_words()} {costs}. {self._loads_words()}"

    def _short_words(self) -> str:
        worse = [one for one in self.receivers if one.short > one.short_before + NOTHING_LPA]
        better = [one for one in self.receivers if one.short < one.short_before - NOTHING_LPA]
        told = []
        if worse:
            most = max(worse, key=lambda one: one.short - one.short_before)
            lpa = sum(one.short - one.short_before for one in worse)
            told.append(
                f"{amount(lpa)} LPA more are late or lost, most of {most.liquid} at {most.site}"
            )
        if better:
            lpa = sum(one.short_before - one.short for one in better)
            told.append(f"{amount(lpa)} LPA fewer are late or lost")
        return f"{'; '.join(told)}." if told else "Nobody is served worse or better."

    def _loads_words(self) -> str:
        kinds: dict[str, int] = defaultdict(int)
        for one in self.difference.loads:
            kinds[one.change] += 1
        named = {
            "added": "added",
            "dropped": "dropped",
            "moved": "moved",
            "amount": "kept with another amount",
        }
        told = [f"{kinds[kind]} {words}" for kind, words in named.items() if kinds[kind]]
        if not told:
            return "No load changes."
        return f"Loads: {', '.join(told)}, {counted(self.difference.kept_loads, 'load')} as before."


def plan_what_if(
    scenario: Scenario,
    before: PlanResult,
    changes: Sequence[Change],
    options: SolveOptions,
    *,
    on_progress: OnProgress | None = None,
    stop: threading.Event | None = None,
    name_loads: NamesOfLoads | None = None,
) -> WhatIf:
    """Plan a workspace again with changes, starting from the plan without them.

    Parameters
    ----------
    scenario : as it was planned before.
    name_loads : gives planned loads the names they are known by.

    Raises
    ------
    BlockedError, NoPlanError, PlanningError, VerificationError
        As `bulkflow.plan.make.plan_scenario`.
    """
    after = plan_scenario(
        changed(scenario, changes),
        options,
        on_progress=on_progress,
        stop=stop,
        start=before.plan,
        name_loads=name_loads,
    )
    was, now = before.plan.proof, after.plan.proof
    return WhatIf(
        changes=tuple(changes),
        before=before,
        after=after,
        difference=compare_plans(before, after),
        receivers=tuple(_receivers(before, after)),
        cost=now.cost - was.cost,
        least=now.bound - was.cost,
        most=now.cost - was.bound,
    )


def _receivers(before: PlanResult, after: PlanResult) -> list[Receiver]:
    asked = _asked(before.plan), _asked(after.plan)
    short = _short(before), _short(after)
    loads = _loads(before.plan), _loads(after.plan)
    found = []
    for site, liquid in sorted({*asked[0], *asked[1]}):
        key = (site, liquid)
        one = Receiver(
            site,
            liquid,
            asked_before=asked[0].get(key, 0.0),
            asked=asked[1].get(key, 0.0),
            short_before=short[0].get(key, 0.0),
            short=short[1].get(key, 0.0),
            loads_before=loads[0].get(key, 0),
            loads=loads[1].get(key, 0),
        )
        if (
            abs(one.asked - one.asked_before) > NOTHING_LPA
            or abs(one.short - one.short_before) > NOTHING_LPA
            or one.loads != one.loads_before
        ):
            found.append(one)
    return found


def _asked(plan: Plan) -> dict[tuple[str, str], float]:
    found: dict[tuple[str, str], float] = defaultdict(float)
    for row in plan.demand:
        found[row.site, row.liquid] += row.demand_lpa
    return found


def _short(result: PlanResult) -> dict[tuple[str, str], float]:
    """Return LPA late or lost: what is lost added up, of what is carried the most open at once."""
    lost = {priority for priority, unmet in result.unmet if unmet == "lost"}
    gone: dict[tuple[str, str], float] = defaultdict(float)
    late: dict[tuple[str, str], dict[int, float]] = defaultdict(lambda: defaultdict(float))
    for row in result.plan.demand:
        key = (row.site, row.liquid)
        if row.priority in lost:
            gone[key] += row.open_lpa
        else:
            late[key][row.period] += row.open_lpa
    return {
        key: gone.get(key, 0.0) + max(late.get(key, {0: 0.0}).values()) for key in {*gone, *late}
    }


def _loads(plan: Plan) -> dict[tuple[str, str], int]:
    found: dict[tuple[str, str], int] = defaultdict(int)
    for load in plan.loads:
        if load.kind is not LoadKind.UNDER_WAY:
            for liquid in {part.liquid for part in load.parts}:
                found[load.destination, liquid] += 1
    return found


def _signed(value: float) -> str:
    return f"-{money(-value)}" if value < 0 else f"+{money(value)}"
