"""Lots that wait for a panel, a laboratory or a person; and those about to outlive their use."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from pathlib import Path

from sqlalchemy.orm import Session

from bulkflow.due.asking import Asking, day_words
from bulkflow.loads.gates import expires_on
from bulkflow.loads.queries import LoadRecord
from bulkflow.loads.steps import CARRIES_LIQUID, THERE
from bulkflow.lots.bodies import ReleaseRule
from bulkflow.lots.declaring import standing_rule
from bulkflow.lots.explaining import Explanation, explain_lots
from bulkflow.lots.gate_steps import GateStep, LotSteps
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.instruments import instruments
from bulkflow.lots.panel_facts import PanelFacts
from bulkflow.lots.queries import LotFilter, LotLine, list_lots
from bulkflow.lots.samples import kept_samples
from bulkflow.plan.result import HoldCost
from bulkflow.plan.views import decide_by
from bulkflow.plan.week import Due, DueKind

__all__ = ["lot_lines", "panel_lines", "steps_by_lot"]

PAST_LOTS = CARRIES_LIQUID | THERE  # states in which a load no longer waits for its lots

Waiting = Mapping[str, Sequence[tuple[date, str, float]]]
"""By lot: the loads that wait for it, first to leave first, with their LPA."""


def steps_by_lot(session: Session, asking: Asking, panel: PanelFacts) -> dict[str, list[str]]:
    """Return, for each lot in hand that may not ship, the commands that settle its closed gates."""
    return {
        one.lot.lot_id: [step.command for step in steps]
        for one, steps in _closed(session, asking, panel)
    }


def lot_lines(
    session: Session, asking: Asking, panel: PanelFacts, loads: Sequence[LoadRecord]
) -> Iterator[Due]:
    """Yield a line for each lot in hand that may not ship, then lots near their shelf life."""
    holds = {} if asking.plan is None else {one.lot_id: one for one in asking.plan.holds}
    waiting = _waiting(asking, loads)
    for explained, steps in _closed(session, asking, panel):
        lot = explained.lot
        leaving = waiting.get(lot.lot_id, ())
        hold = holds.get(lot.lot_id)
        first, *then = steps
        rest = "".join(f"; then {_lower(step.words)}" for step in then)
        yield asking.line(
            DueKind.LOT,
            f"{lot.lot_id}, {lot.status.value}: {_lower(first.words)}{rest}{_tail(leaving)}",
            lot.lot_id,
            first.command,
            by=_by(asking, lot, leaving, hold),
            lpa=float(lot.lpa_left),
            money=_at_stake(hold),
        )
    yield from _aging(session, asking)


def panel_lines(session: Session, asking: Asking, panel: PanelFacts) -> Iterator[Due]:
    """Yield standards, qualifications, calibrations and retained samples about to expire."""
    for standard in panel.standards:
        if standard.use_by <= asking.ahead:
            rest = ("SUCCESSOR.yaml", "--of", standard.name, "--correct", "CORRECT")
            yield asking.line(
                DueKind.STANDARD,
                f"Standard {standard.name} of {standard.liquid} expires: join a new one to it",
                standard.name,
                asking.panels("standard bridge", *rest, "--assessments", "ASSESSMENTS"),
                by=standard.use_by,
                lpa=_unjudged(session, standard.liquid),
            )
    for who, until in sorted(panel.qualified_until.items(), key=lambda item: item[::-1]):
        if until <= asking.ahead:
            yield asking.line(
                DueKind.QUALIFICATION,
                f"The qualification of {who} ends: hold a trial",
                who,
                asking.panels("assessor qualify", "DECLARATION.yaml", "SCORES.csv"),
                by=until,
            )
    for one in instruments(session):
        if one.expires_on <= asking.ahead:
            found = ("--what", one.what, "--on", str(asking.on), "--certificate", "CERTIFICATE")
            yield asking.line(
                DueKind.CALIBRATION,
                f"The certificate of {one.instrument_id} ({one.what}) expires: calibrate it",
                one.instrument_id,
                asking.bulkflow("laboratory calibrate", one.instrument_id, *found),
                by=one.expires_on,
            )
    for sample in kept_samples(session, expiring_by=asking.ahead):
        yield asking.line(
            DueKind.SAMPLE,
            f"Sample {sample.sample_id} of {sample.lot_id} need not be kept any longer",
            sample.sample_id,
            asking.bulkflow(
                "lots sample-gone", sample.sample_id, "--on", str(asking.on), "--how", "HOW"
            ),
            by=sample.expires_on,
        )


def _closed(
    session: Session, asking: Asking, panel: PanelFacts
) -> Iterator[tuple[Explanation, list[GateStep]]]:
    lots = [
        lot
        for lot in list_lots(session, LotFilter(with_stock=True))
        if lot.status is not LotStatus.RELEASED
    ]
    steps = LotSteps(Path(asking.where.folder), panel, asking.on, asking.where.database)
    rules: dict[str, ReleaseRule | None] = {}
    for lot in lots:
        if lot.liquid_id not in rules:
            found = standing_rule(session, lot.liquid_id)
            rules[lot.liquid_id] = None if found is None else found.rule
    for explained in explain_lots(session, lots):
        yield explained, steps.of(explained, rules[explained.lot.liquid_id])


def _waiting(asking: Asking, loads: Iterable[LoadRecord]) -> Waiting:
    found: dict[str, dict[str, tuple[date, float]]] = defaultdict(dict)
    for load in loads:
        if load.state not in PAST_LOTS:
            for share in load.shares:
                found[share.lot_id][load.load_id] = (load.loading_day, float(share.lpa))
    if asking.plan is not None:
        planned = {one.load_id: one for one in asking.plan.plan.loads}
        needs = [(hold.lot_id, hold.loads) for hold in asking.plan.holds]
        needs += [(lot, (one.load_id,)) for one in asking.plan.held_loads or () for lot in one.lots]
        for lot, names in needs:
            for name in names:
                if name in planned and name not in found[lot]:
                    found[lot][name] = (planned[name].loading_day, planned[name].lpa)
    return {
        lot: sorted((day, name, lpa) for name, (day, lpa) in given.items())
        for lot, given in found.items()
    }


def _by(
    asking: Asking,
    lot: LotLine,
    leaving: Sequence[tuple[date, str, float]],
    hold: HoldCost | None,
) -> date | None:
    """Return the last day on which a decision on a lot still serves; as the report says it."""
    if leaving:
        return leaving[0][0]
    if asking.plan is not None and hold is not None:
        return decide_by(asking.plan.plan, hold)[0]
    return lot.due_on


def _tail(leaving: Sequence[tuple[date, str, float]]) -> str:
    if not leaving:
        return ""
    day, name, _ = leaving[0]
    if len(leaving) == 1:
        return f"; load {name} waits for it, to be filled on {day_words(day)}"
    return f"; {len(leaving)} loads wait for it, the first {name} on {day_words(day)}"


def _at_stake(hold: HoldCost | None) -> float | None:
    if hold is None:
        return None
    return hold.saving_most if hold.status == "held" else hold.extra_most


def _lower(words: str) -> str:
    return words[0].lower() + words[1:]


def _unjudged(session: Session, liquid: str) -> float:
    """Return the LPA of a liquid that no panel can decide on without its standard."""
    lots = list_lots(session, LotFilter(liquid_id=liquid, with_stock=True))
    return float(sum(lot.lpa_left for lot in lots if lot.status is not LotStatus.RELEASED))


def _aging(session: Session, asking: Asking) -> Iterator[Due]:
    life = {one.id: one.shelf_life_days for one in asking.scenario.liquids}
    for lot in list_lots(session, LotFilter(with_stock=True)):
        until = expires_on(lot, life.get(lot.liquid_id))
        if until is not None and until <= asking.ahead:
            yield asking.line(
                DueKind.LOT,
                f"{lot.lot_id} reaches the end of its shelf life: use it before",
                lot.lot_id,
                asking.bulkflow("loads list", "--lot", lot.lot_id),
                by=until,
                lpa=_left(lot),
            )


def _left(lot: LotLine) -> float:
    return float(lot.lpa_left)
