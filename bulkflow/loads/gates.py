"""The gates of a load: its contents, every gate of every lot in it, its fill, its tank.

Nothing of it is stored: it follows from the records whenever it is asked. A load is issued,
loaded and sent only while all of them are open.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from enum import StrEnum

from sqlalchemy.orm import Session

from bulkflow.errors import PlanningError
from bulkflow.loads.acceptance import tank_checks
from bulkflow.loads.bodies import LoadPart, LoadState, LoadStep, LotShare, TankAcceptance
from bulkflow.loads.fills import PartFill, Ways, fill_of_part
from bulkflow.loads.queries import LoadRecord, accepted_tank, steps_of
from bulkflow.loads.steps import CARRIES_LIQUID
from bulkflow.lots.explaining import explain_lots
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.queries import LotFilter, LotLine, list_lots, lots_named
from bulkflow.program.classes import Origins, markets_barring
from bulkflow.scenario.model import Lot as ScenarioLot
from bulkflow.scenario.model import LotStatus as PlannedStatus
from bulkflow.scenario.model import Scenario

__all__ = [
    "FILL_TOLERANCE",
    "NO_LOT_YET",
    "TO_LEAVE",
    "GateClosedError",
    "LoadGate",
    "LoadGateKind",
    "barred_markets",
    "expires_on",
    "load_gates",
]

FILL_TOLERANCE = 1e-6
"""Share by which a computed fill may lie outside its range: rounding of 0.001 LPA, no more."""


NO_LOT_YET = (
    "which is no lot of the register yet: record it once it is there (bulkflow lots add; what the"
    " account has of it as stock is taken off with account enter --kind correction), then fill the"
    " loads again (bulkflow loads allocate)"
)
"""What is to be done where a load counts on liquid that is no lot."""


class LoadGateKind(StrEnum):
    """What must be open before a load may go."""

    CONTENTS = "contents"
    LABORATORY = "laboratory"
    DECISION = "decision"
    HOLD = "hold"
    PARENTS = "parents"
    MARKET = "market"
    SHELF_LIFE = "shelf life"
    AMOUNT = "amount"
    FILL = "fill"
    TANK = "tank"
    DOCUMENT = "movement document"
    SEALS = "seals"
    BESIDE = "in the same tank"


TO_LEAVE = frozenset({LoadGateKind.DOCUMENT, LoadGateKind.SEALS})
"""Asked of a load that is filled, before it leaves; a stated reason lets it go without."""


@dataclass(frozen=True, slots=True)
class LoadGate:
    """One gate: of what kind, of which lot, liquid or tank, open or not, and why."""

    kind: LoadGateKind
    subject: str
    is_open: bool
    reason: str


class GateClosedError(PlanningError):
    """A load may not take a step, because gates are closed; carries them."""

    def __init__(self, load_id: str, step: str, closed: Sequence[LoadGate]) -> None:
        self.load_id, self.step, self.closed = load_id, step, tuple(closed)
        lines = "\n".join(
            f"  {gate.kind.value} of {gate.subject}: {gate.reason}" for gate in closed
        )
        some = "a gate is" if len(closed) == 1 else f"{len(closed)} gates are"
        super().__init__(f"Load {load_id} may not be {step}: {some} closed.\n{lines}")


def load_gates(
    session: Session,
    load: LoadRecord,
    scenario: Scenario,
    *,
    on: date,
    temperature_c: float | None = None,
    leaving: LoadStep | None = None,
) -> list[LoadGate]:
    """Return every gate of a load on a day, open and closed.

    Parameters
    ----------
    on : the day of filling: the age of a cleaning counts up to it. Of a load that is filled
        already, the day it was.
    temperature_c : of the liquid when filled, stated or measured [degC]; by default what was
        measured when the load was filled, else every one that the lane is planned for.
    leaving : the departure about to be recorded, with its reference and seals.
    """
    filled = _filled(session, load)
    day = on if filled is None else filled.on
    if temperature_c is None and filled is not None and filled.temperature_c is not None:
        temperature_c = float(filled.temperature_c)
    lots = lots_named(session, [share.lot_id for share in load.shares if not share.to_come])
    gates = [*_contents(load)]
    gates += _lot_gates(session, load, lots)
    origins, ways = Origins(scenario), Ways.of(scenario)
    for share in load.shares:
        line = lots.get(share.lot_id)
        if line is not None:
            gates.append(_market(load, line, origins))
            gates.append(_shelf_life(load, line, ways))
            if load.state not in CARRIES_LIQUID:
                gates.append(_amount(share, line))
    if load.state not in CARRIES_LIQUID:
        gates += _beside(session, [lots[one.lot_id] for one in load.shares if one.lot_id in lots])
    found = accepted_tank(session, load.load_id)
    gates += _fill(load, ways, None if found is None else found.tank, temperature_c)
    gates.append(_tank(load, None if found is None else found.tank, day))
    if load.state is LoadState.LOADED:
        gates += _to_leave(load, filled, leaving, scenario)
    return gates


def _to_leave(
    load: LoadRecord, filled: LoadStep | None, leaving: LoadStep | None, scenario: Scenario
) -> Iterable[LoadGate]:
    steps = [one for one in (filled, leaving) if one is not None]
    given = [one.movement_reference for one in steps if one.movement_reference]
    reference = next(iter(given), load.movement_reference)
    site = next((one for one in scenario.sites if one.id == load.origin), None)
    words = "no reference of a movement document is recorded (--movement)"
    if site is not None and site.duty_status == "paid":
        words = f"{load.origin} is duty paid: none is needed"
    is_open = reference is not None or words.endswith("needed")
    yield LoadGate(LoadGateKind.DOCUMENT, load.load_id, is_open, reference or words)
    seals = [seal for one in steps for seal in one.seals]
    words = ", ".join(seals) or "none is recorded as put on when it was loaded (--seal)"
    yield LoadGate(LoadGateKind.SEALS, load.load_id, bool(seals), words)


def _filled(session: Session, load: LoadRecord) -> LoadStep | None:
    steps = steps_of(session, load.load_id)
    return next((one.step for one in steps if one.step.state is LoadState.LOADED), None)


def barred_markets(origins: Origins, line: LotLine) -> frozenset[str]:
    """Return the markets that a lot may not go to: by its base, its supplier, its restrictions."""
    # Names in the register may be longer, or hold other marks, than a workspace's.
    lot = ScenarioLot.model_construct(
        lot_id=line.lot_id,
        liquid=line.liquid_id,
        site=line.site_id,
        litres_20c=float(line.litres_20c),
        strength_percent=float(line.strength_percent),
        status=PlannedStatus(line.status.value),
        spirit_base=line.spirit_base,
        supplier=line.supplier_id,
        restrictions=line.restrictions,
    )
    try:
        origin_class = origins.of_lot(lot).origin_class
    except KeyError:  # of a liquid the workspace does not have: no load of it can be filled
        return frozenset(line.restrictions)
    return markets_barring(origin_class) | frozenset(line.restrictions)


def expires_on(line: LotLine, shelf_life_days: int | None) -> date | None:
    """Return the last day on which a lot may be used; None where its liquid keeps."""
    if shelf_life_days is None or line.made_on is None:
        return None
    return line.made_on + timedelta(days=shelf_life_days)


def _contents(load: LoadRecord) -> Iterable[LoadGate]:
    kind = LoadGateKind.CONTENTS
    for part in load.parts:
        # A lot that awaits its decision closes its own gate, and only until it is released.
        waiting = [share.lot_id for share in part.shares if share.to_come]
        if not part.shares:
            words = "no lots are allocated to it"
        elif waiting:
            words = f"counts on {', '.join(waiting)}, {NO_LOT_YET}"
        else:
            names = ", ".join(f"{share.lpa} LPA of {share.lot_id}" for share in part.shares)
            yield LoadGate(kind, part.liquid_id, is_open=True, reason=names)
            continue
        yield LoadGate(kind, part.liquid_id, is_open=False, reason=words)


def _lot_gates(
    session: Session, load: LoadRecord, lots: Mapping[str, LotLine]
) -> Iterable[LoadGate]:
    named = [share.lot_id for share in load.shares if not share.to_come]
    for lot_id in named:
        if lot_id not in lots:
            words = "it is not in the register"
            yield LoadGate(LoadGateKind.CONTENTS, lot_id, is_open=False, reason=words)
    known = [lots[name] for name in named if name in lots]
    for explained in explain_lots(session, known):
        for state in explained.gates:
            kind = LoadGateKind(state.gate.value)
            yield LoadGate(kind, explained.lot.lot_id, state.is_open, state.reason)


def _beside(session: Session, lines: Sequence[LotLine]) -> Iterable[LoadGate]:
    """Yield the held and rejected lots that lie in the tanks drawn from: liquid in a tank mixes.

    No gate is closed by it: whoever fills the load may know that the two are kept apart.
    """
    tanks = {(one.site_id, one.tank_id) for one in lines if one.tank_id is not None}
    named = {one.lot_id for one in lines}
    for site, tank in sorted(tanks):
        for status in (LotStatus.HELD, LotStatus.REJECTED):
            wanted = LotFilter(status=status, site_id=site, tank_id=tank, with_stock=True)
            for other in list_lots(session, wanted):
                if other.lot_id not in named:
                    words = (
                        f"{other.lot_id} is {status.value} and lies in {tank} too: the load may"
                        " hold some of it, and is not bottled until that is settled"
                    )
                    yield LoadGate(LoadGateKind.BESIDE, tank, is_open=True, reason=words)


def _market(load: LoadRecord, line: LotLine, origins: Origins) -> LoadGate:
    kind, market = LoadGateKind.MARKET, load.market
    if market is None:
        words = f"{load.destination} is of no market"
        return LoadGate(kind, line.lot_id, is_open=True, reason=words)
    barred = barred_markets(origins, line)
    if market in barred:
        words = f"{market} may not have it (base {line.spirit_base}, supplier {line.supplier_id})"
        if market in line.restrictions:
            words = f"it is restricted: not for {market}"
        return LoadGate(kind, line.lot_id, is_open=False, reason=words)
    if line.markets and market not in line.markets:
        words = (
            f"it is meant for {', '.join(line.markets)}, so limits for {market} were not checked"
        )
        return LoadGate(kind, line.lot_id, is_open=False, reason=words)
    return LoadGate(kind, line.lot_id, is_open=True, reason=f"nothing bars it from {market}")


def _shelf_life(load: LoadRecord, line: LotLine, ways: Ways) -> LoadGate:
    kind = LoadGateKind.SHELF_LIFE
    liquid = ways.liquids.get(line.liquid_id)
    until = expires_on(line, None if liquid is None else liquid.shelf_life_days)
    if until is None:
        return LoadGate(kind, line.lot_id, is_open=True, reason="no shelf life is stated")
    words = f"good until {until}, usable at {load.destination} from {load.usable_day}"
    return LoadGate(kind, line.lot_id, is_open=load.usable_day <= until, reason=words)


def _amount(share: LotShare, line: LotLine) -> LoadGate:
    words = f"{share.lpa} LPA of {line.lpa_left} LPA left"
    return LoadGate(
        LoadGateKind.AMOUNT, line.lot_id, is_open=share.lpa <= line.lpa_left, reason=words
    )


def _fill(
    load: LoadRecord, ways: Ways, tank: TankAcceptance | None, temperature_c: float | None
) -> Iterable[LoadGate]:
    kind = LoadGateKind.FILL
    if load.lane_id not in ways.lanes or load.tank_type not in ways.tanks:
        words = f"the workspace has no lane {load.lane_id} with {load.tank_type}"
        yield LoadGate(kind, load.tank_type, is_open=False, reason=words)
        return
    ways = ways.with_plate(load.tank_type, tank)
    for part in load.parts:
        if part.liquid_id not in ways.liquids:
            words = f"the workspace has no liquid {part.liquid_id}"
            yield LoadGate(kind, part.liquid_id, is_open=False, reason=words)
            continue
        temperatures = (
            ways.lanes[load.lane_id].filling_temperatures_c
            if temperature_c is None
            else (temperature_c,)
        )
        found = [
            _fill_gate(
                part, fill_of_part(ways, load.lane_id, load.tank_type, part, temperature_c=at)
            )
            for at in dict.fromkeys(temperatures)
        ]
        yield next((one for one in found if not one.is_open), found[0])


def _fill_gate(part: LoadPart, fill: PartFill) -> LoadGate:
    kind = LoadGateKind.FILL
    refused = [one.reason for one in fill.ranges if one.refused]
    if refused:
        return LoadGate(kind, part.liquid_id, is_open=False, reason=refused[0])
    slack = Decimal(repr(FILL_TOLERANCE * fill.most_lpa + 0.001))
    low, high = Decimal(repr(fill.least_lpa)) - slack, Decimal(repr(fill.most_lpa)) + slack
    words = (
        f"{part.lpa} LPA at {fill.ranges[0].filling_temperature_c:g} degC; from"
        f" {fill.least_lpa:,.1f} ({fill.ranges[0].minimum.rule}) to"
        f" {fill.most_lpa:,.1f} LPA ({fill.ranges[0].maximum.rule}), which is"
        f" {fill.least_litres:,.0f} to {fill.most_litres:,.0f} L"
    )
    return LoadGate(kind, part.liquid_id, is_open=low <= part.lpa <= high, reason=words)


def _tank(load: LoadRecord, tank: TankAcceptance | None, on: date) -> LoadGate:
    checks = tank_checks(tank, on=on)
    failed = [f"{check.what}: {check.words}" for check in checks if not check.passed]
    subject = load.tank_type if tank is None else tank.tank_number
    words = "; ".join(failed) or f"{len(checks)} checks, all passed"
    return LoadGate(LoadGateKind.TANK, subject, is_open=not failed, reason=words)
