"""Why there is no plan, or why demand falls badly short: the rules in the user's words.

The core finds a set of its rules that cannot hold together (`bulkflow.core.diagnose`); here they
become rules of the trade with their weeks, and the files and lines they come from. A shortage is
explained in the same way: the demand is made a rule that must hold, and what conflicts with it is
what stands in its way.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.diagnose import Conflict, Diagnosis, diagnose
from bulkflow.core.elastic import ConflictRule
from bulkflow.core.network import Limit, Term
from bulkflow.errors import PlanningError
from bulkflow.program.answer import DemandServed, Plan
from bulkflow.program.build import Maps, TradeProgram, build_program
from bulkflow.program.build_context import site_node
from bulkflow.program.classes import lot_entry_period
from bulkflow.program.demand import DemandGroup
from bulkflow.program.loads import LoadColumn
from bulkflow.program.network_builder import Label, bound_label
from bulkflow.program.where_written import places_of
from bulkflow.scenario.model import LoadState, Lot, LotStatus, Scenario
from bulkflow.scenario.sources import Place, SourceMap
from bulkflow.wording import counted, listed, percent

__all__ = [
    "BADLY_SHORT_SHARE",
    "Explanation",
    "NoPlanError",
    "Obstacle",
    "ShortageExplanation",
    "explain_no_plan",
    "explain_shortages",
]

BADLY_SHORT_SHARE = 0.05
"""A demand of which more than this is lost, or open at once, over the horizon is badly short."""

PROVED_GAP = 1e-3
"""Up to this gap a plan counts as proved best where a shortage is explained."""

_MOST_PLACES = 3  # places named for one rule; more would bury the rule
_MOST_OBSTACLES = 8  # rules named of one conflict; more are no reason that anybody can act on
_SERVED = "must be served "
_HAIR_LPA = 1e-3  # above the rounding of amounts, below anything measured

FloatArray = NDArray[np.float64]

EXPLAINING_WORK = 12.0
"""Most work on explaining the shortages of a plan (`bulkflow.core.deadline`)."""


@dataclass(frozen=True, slots=True)
class _Allowed:
    """Limits of one look for a conflict."""

    seconds: float | None
    work: float


@dataclass(frozen=True, slots=True)
class Obstacle:
    """A rule that takes part in a conflict.

    Parameters
    ----------
    words : the rule with its figures.
    periods : the periods in which it takes part; () for the horizon as a whole.
    when : the same in words ('' for the whole horizon).
    places : where it was written.
    equation : its number in this package's README.
    """

    words: str
    periods: tuple[int, ...]
    when: str
    places: tuple[Place, ...]
    equation: int

    def __str__(self) -> str:
        """Return the rule, its weeks and its places in one line."""
        text = f"{self.words}, {self.when}" if self.when else self.words
        shown = list(dict.fromkeys(str(place) for place in self.places))
        if not shown:
            return text
        more = f" and {len(shown) - _MOST_PLACES} more" if len(shown) > _MOST_PLACES else ""
        return f"{text} ({'; '.join(shown[:_MOST_PLACES])}{more})"


@dataclass(frozen=True, slots=True)
class Explanation:
    """Rules that cannot hold together.

    Parameters
    ----------
    irreducible : whether a plan would exist without any one of them.
    whole_numbers : whether they conflict only because loads, charges or vattings are whole.
    """

    obstacles: tuple[Obstacle, ...]
    irreducible: bool
    whole_numbers: bool

    @property
    def unsifted(self) -> bool:
        """Whether the search ended with so many rules left that naming them says nothing."""
        return not self.irreducible and len(self.obstacles) > _MOST_OBSTACLES

    def lines(self) -> list[str]:
        """Return the explanation as lines of text."""
        found = [f"- {obstacle}" for obstacle in self.obstacles[:_MOST_OBSTACLES]]
        if more := len(self.obstacles) - len(found):
            found.append(f"- and {counted(more, 'more rule')}")
        if self.whole_numbers:
            found.append("They conflict because loads, charges and vattings are whole.")
        if not self.irreducible:
            found.append("The search for fewer rules ran out of time; some may not be needed.")
        return found


class NoPlanError(PlanningError):
    """No plan meets every rule; carries the explanation found."""

    def __init__(self, explanation: Explanation) -> None:
        self.explanation = explanation
        one = len(explanation.obstacles) == 1
        if not explanation.obstacles:
            text = ["No plan meets every rule, and no smaller set of rules was found in time."]
        elif one:
            text = ["No plan meets every rule. This one cannot hold with all else as given:"]
        else:
            text = ["No plan meets every rule. These cannot hold together; one must give way:"]
        super().__init__("\n".join([*text, *explanation.lines()]))


@dataclass(frozen=True, slots=True)
class ShortageExplanation:
    """Why a demand is not served in a period.

    Parameters
    ----------
    site, liquid, market, priority, period : which demand.
    short_lpa : lost in the period, or open at its end [LPA].
    verdict : ``no_way``: nothing can bring the liquid there by then; ``blocked``: the obstacles
        do not let it be served, whatever else goes without; ``shared``: it could be served, but
        not together with the other demand among the obstacles; ``dearer``: no rule stands in its
        way, so that serving it costs more than the shortage, or (where the plan is not proved
        best) a better plan would serve it; ``unsettled``: time ran out before a rule was found.
    lots, lots_help : of a demand with no way or blocked, lots held or awaiting, and whether it
        could be served with their release at the start.
    plan_gap : proved gap of the plan [fraction].
    """

    site: str
    liquid: str
    market: str
    priority: str
    period: int
    when: str
    short_lpa: float
    verdict: str
    explanation: Explanation
    plan_gap: float
    lots: tuple[str, ...] = ()
    lots_help: bool = False

    def lines(self) -> list[str]:
        """Return the explanation as lines of text."""
        market = f" for market {self.market}" if self.market else ""
        head = (
            f"{self.liquid} at {self.site}{market} is {self.short_lpa:,.0f} LPA short {self.when}"
        )
        lots = listed(self.lots) if self.lots else ""
        match self.verdict:
            case "no_way" if self.lots_help:
                return [f"{head}: nothing but the release of {lots} can bring it there by then."]
            case "no_way":
                tried = f", not even the release of {lots}" if lots else ""
                return [f"{head}: nothing can bring it there by then{tried}."]
            case "unsettled":
                return [f"{head}: what stands in the way was not found in the time given."]
            case "dearer":
                text = f"{head}: no rule stands in the way, but serving it would cost more"
                if self.plan_gap > PROVED_GAP:
                    gap = percent(self.plan_gap)
                    text += f", or a better plan (this one is proved to {gap}) serves it"
                return [f"{text}."]
            case "shared" if self.explanation.unsifted:
                return [
                    f"{head}: it could be served, but not with all other demand of its price or"
                    " more served as in this plan."
                ]
            case "blocked" if self.explanation.unsifted and not self.lots_help:
                return [
                    f"{head}: it cannot be served, whatever else goes without; which of"
                    f" {counted(len(self.explanation.obstacles), 'rule')} stand in the way was not"
                    " found in the time given."
                ]
            case "shared":
                reason = "it could be served, but not together with all of the following:"
            case _ if self.lots_help:
                reason = f"what stands in the way as long as {lots} may not be used:"
            case _:
                tried = f", even with the release of {lots}" if lots else ""
                reason = f"what stands in the way, whatever else goes without{tried}:"
        return [f"{head}: {reason}", *self.explanation.lines()]


def explain_no_plan(
    program: TradeProgram, *, sources: SourceMap | None = None, seconds: float | None = None
) -> Explanation:
    """Return the smallest set of rules that cannot hold together found (within ``seconds``)."""
    return _explained(program.maps, diagnose(program.network, seconds=seconds), sources)


def explain_shortages(
    scenario: Scenario,
    plan: Plan,
    *,
    sources: SourceMap | None = None,
    seconds: float | None = None,
    work: float = EXPLAINING_WORK,
    most: int = 3,
) -> tuple[ShortageExplanation, ...]:
    """Explain the worst shortages of a plan: for each the period in which it is largest.

    Parameters
    ----------
    seconds, work : wall time and units of work (`bulkflow.core.deadline`) allowed in all.
    most : how many demands are explained: those of the quarter first, the largest first.
    """
    worst = _worst_shortages(plan)[:most]
    if not worst:
        return ()
    program = build_program(scenario)
    parts = 4 * len(worst)
    each = _Allowed(None if seconds is None else seconds / parts, work / parts)
    return tuple(_explain_shortage(program, plan, row, sources, each) for row in worst)


def _worst_shortages(plan: Plan) -> list[DemandServed]:
    """Return the largest row of each demand that is badly short, the quarter's first."""
    rows: dict[tuple[str, str, str, str], list[DemandServed]] = {}
    for row in plan.demand:
        rows.setdefault((row.site, row.liquid, row.market, row.priority), []).append(row)
    worst = []
    for found in rows.values():
        asked = sum(row.demand_lpa for row in found)
        within = [row for row in found if row.period <= plan.quarter_periods]
        for part in (within, found):
            largest = max(part, key=lambda row: (row.open_lpa, -row.period), default=None)
            if largest is not None and largest.open_lpa > BADLY_SHORT_SHARE * asked:
                worst.append(largest)
                break
    return sorted(worst, key=lambda row: (row.period > plan.quarter_periods, -row.open_lpa))


def _explain_shortage(
    program: TradeProgram,
    plan: Plan,
    row: DemandServed,
    sources: SourceMap | None,
    allowed: _Allowed,
) -> ShortageExplanation:
    maps = program.maps
    group = next(
        one
        for one in maps.demand
        if (one.site, one.liquid, one.market, one.priority.id)
        == (row.site, row.liquid, row.market, row.priority)
    )
    own = _limit(group, np.zeros(maps.context.count), (row.period,))
    # The plan itself keeps to these, so a conflict must come from the demand in question. Where
    # it can be served beside all of them, it can be served.
    others = [
        _limit(one, _open(maps, plan, one), None)
        for one in maps.demand
        if one is not group and one.priority.cost_per_lpa >= group.priority.cost_per_lpa
    ]
    verdict, found = _without_own_rules(_diagnosed(program, [own, *others], allowed))
    blocked = False
    if found.conflicts:
        alone = _diagnosed(program, [own], allowed)
        if blocked := bool(alone.conflicts):
            verdict, found = "blocked", alone
    explanation = _explained(maps, found, sources, without=group)
    if verdict == "blocked" and not explanation.obstacles:
        verdict = "no_way"
    lots, lots_help = _gates(maps, row, own, allowed) if blocked else ((), False)
    return ShortageExplanation(
        site=row.site,
        liquid=row.liquid,
        market=row.market,
        priority=row.priority,
        period=row.period,
        when=_when(maps, (row.period,)),
        short_lpa=row.open_lpa,
        verdict=verdict,
        explanation=explanation,
        plan_gap=plan.proof.gap,
        lots=lots,
        lots_help=lots_help,
    )


def _without_own_rules(together: Diagnosis) -> tuple[str, Diagnosis]:
    """Return the verdict on a demand that can be served on its own."""
    if together.conflicts:
        return "shared", together
    return ("dearer" if together.irreducible else "unsettled"), together


def _gates(
    maps: Maps, row: DemandServed, own: Limit, allowed: _Allowed
) -> tuple[tuple[str, ...], bool]:
    """Return lots held, or awaiting too long for a demand, and whether their release serves it.

    Those of its own liquid are tried first, then all. Where it is not settled, none are named.
    """
    scenario = maps.context.scenario
    closed = tuple(
        lot
        for lot in scenario.lots
        if lot.status in (LotStatus.HELD, LotStatus.AWAITING)
        and (lot_entry_period(maps.context.periods, lot) or row.period + 1) > row.period
    )
    same = tuple(lot for lot in closed if lot.liquid == row.liquid)
    tried: tuple[str, ...] = ()
    for lots in dict.fromkeys(one for one in (same, closed) if one):
        found = _diagnosed(build_program(_with_released(scenario, lots)), [own], allowed)
        names = tuple(lot.lot_id for lot in lots)
        if found.conflicts:
            tried = names
        else:
            return (names, True) if found.irreducible else ((), False)
    return tried, False


def _with_released(scenario: Scenario, lots: Sequence[Lot]) -> Scenario:
    names = {lot.lot_id for lot in lots}
    opened = {"status": LotStatus.RELEASED, "decision_due": None}
    changed = tuple(
        lot.model_copy(update=opened) if lot.lot_id in names else lot for lot in scenario.lots
    )
    return scenario.model_copy(update={"lots": changed})


def _open(maps: Maps, plan: Plan, group: DemandGroup) -> FloatArray:
    """Return what a plan leaves unserved of a demand, a hair more against rounding, (T,)."""
    key = _group_key(group)
    left = np.full(maps.context.count, _HAIR_LPA)
    for row in plan.demand:
        if f"{row.site}/{row.liquid}/{row.market}/{row.priority}" == key:
            left[row.period - 1] += row.open_lpa
    return left


def _limit(group: DemandGroup, most: FloatArray, periods: tuple[int, ...] | None) -> Limit:
    """Return the rule that no more of a demand may be left unserved."""
    short = Term("shortage", group.node, commodity=group.name)
    return Limit(_SERVED + _group_key(group), (short,), at_most=most.tolist(), periods=periods)


def _diagnosed(program: TradeProgram, limits: Iterable[Limit], allowed: _Allowed) -> Diagnosis:
    """Ask what conflicts with limits on what is left unserved."""
    network = replace(program.network, limits=[*program.network.limits, *limits])
    return diagnose(network, seconds=allowed.seconds, work=allowed.work)


def _group_key(group: DemandGroup) -> str:
    return f"{group.site}/{group.liquid}/{group.market}/{group.priority.id}"


def _explained(
    maps: Maps,
    found: Diagnosis,
    sources: SourceMap | None,
    *,
    without: DemandGroup | None = None,
) -> Explanation:
    """Turn a diagnosis into rules of the trade, leaving out what only ties quantities together."""
    own = None if without is None else _SERVED + _group_key(without)
    labelled = _on_hand(maps, found)
    for conflict in found.conflicts:
        if conflict.ref == own:
            continue
        label = _label(maps, conflict)
        if not label.structural:
            labelled.setdefault(label, set()).update(conflict.periods)
    scenario = maps.context.scenario
    obstacles = tuple(
        Obstacle(
            words=label.words,
            periods=tuple(sorted(periods)),
            when=_when(maps, sorted(periods)),
            places=places_of(scenario, label.refs, sources),
            equation=label.equation,
        )
        for label, periods in labelled.items()
    )
    return Explanation(obstacles, found.irreducible, found.whole_numbers)


def _column(maps: Maps, conflict: Conflict) -> LoadColumn:
    return next(one for one in maps.loads.columns if one.core_lane == conflict.ref)


def _on_hand(maps: Maps, found: Diagnosis) -> dict[Label, set[int]]:
    """Name the stock that is less than the loads in a conflict take at their least fill.

    A fill that the law sets cannot give way; what there is on hand is then the cause.
    """
    scenario = maps.context.scenario
    labels: dict[Label, set[int]] = {}
    for conflict in found.conflicts:
        if conflict.rule is not ConflictRule.MIN_FILL:
            continue
        column = _column(maps, conflict)
        site, liquid = column.lane.origin, column.commodity.liquid
        if site not in maps.context.sites:
            continue
        there = sum(lpa for (where, one), lpa in maps.stocks.opening.items()
                    if where == site and one.liquid == liquid)  # fmt: skip
        promised = sum(
            row.lane == column.lane.id and row.liquid == liquid
            and row.state is LoadState.PROMISED
            and maps.context.periods.holding(row.departs_on) <= max(conflict.periods)
            for row in scenario.loads
        )  # fmt: skip
        if there < column.least_lpa * max(1, promised) * (1 - 1e-9):
            refs = [f"opening_stock[{number}]" for number, row in enumerate(scenario.opening_stock)
                    if (row.site, row.liquid) == (site, liquid)]  # fmt: skip
            words = f"{liquid} on hand at {site} at the start ({there:,.0f} LPA)"
            labels[Label(words, tuple(refs), 1)] = set()
    return labels


def _label(maps: Maps, conflict: Conflict) -> Label:
    """Return what a rule of the core stands for."""
    name = conflict.commodity or ""
    match conflict.rule:
        case ConflictRule.STOCK_AT_MOST:
            return maps.labels[bound_label("most", conflict.ref, name)]
        case ConflictRule.STOCK_AT_LEAST:
            return maps.labels[bound_label("least", conflict.ref, name)]
        case ConflictRule.SUPPLY_EXACTLY:
            return _entering(maps, conflict)
        case ConflictRule.MIN_FILL:
            label, column = maps.labels[conflict.ref], _column(maps, conflict)
            law = ", which the rules on filling set" if column.least_by_law else ""
            return replace(
                label, words=f"least fill of {label.words} ({column.least_lpa:,.0f} LPA{law})"
            )
        case ConflictRule.MAX_COUNT:
            label = maps.labels[conflict.ref]
            return replace(label, words=f"days on which {label.words} can leave")
        case ConflictRule.LIMIT if conflict.ref.startswith(_SERVED):
            key = conflict.ref.removeprefix(_SERVED)
            group = next(one for one in maps.demand if _group_key(one) == key)
            return group.label_in(conflict.periods)
        case _:
            return maps.labels[conflict.ref]


def _entering(maps: Maps, conflict: Conflict) -> Label:
    """Name the loads and lots that enter a site whether wanted or not."""
    context = maps.context
    loads = [
        one.row.load_id
        for one in maps.loads.fixed
        if site_node(one.lane.destination) == conflict.ref
        and context.name(one.arrives) == conflict.commodity
        and one.days.usable_period in conflict.periods
    ]
    lots = [
        lot.lot_id
        for lot in context.scenario.lots
        if site_node(lot.site) == conflict.ref
        and lot_entry_period(context.periods, lot) in conflict.periods
        and context.name(context.classes.of_lot(lot)) == conflict.commodity
    ]
    named = [f"load {one}" for one in loads] + [f"lot {one}" for one in lots]
    refs = [f"loads[{one}]" for one in loads] + [f"lots[{one}]" for one in lots]
    words = f"{' and '.join(named)} entering {conflict.ref.removeprefix('site ')}"
    return Label(words, tuple(refs), 3)


def _when(maps: Maps, periods: Iterable[int]) -> str:
    """Return periods in words with their days: ``in weeks 3 to 5 (2027-01-18 to 2027-02-07)``."""
    listed = sorted(periods)
    if not listed:
        return ""
    context = maps.context
    unit = "week" if context.periods.days == 7 else "period"
    days = f"({context.periods.first_day(listed[0])} to {context.periods.last_day(listed[-1])})"
    if len(listed) == 1:
        return f"in {unit} {listed[0]} {days}"
    return f"in {unit}s {_ranges(listed)} {days}"


def _ranges(listed: Sequence[int]) -> str:
    """Return rising numbers as ranges: 3, 4, 5, 8 -> ``3 to 5, 8``."""
    runs: list[list[int]] = []
    for one in listed:
        if runs and one == runs[-1][-1] + 1:
            runs[-1].append(one)
        else:
            runs.append([one])
    return ", ".join(f"{run[0]} to {run[-1]}" if len(run) > 1 else f"{run[0]}" for run in runs)
