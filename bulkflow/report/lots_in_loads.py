"""What the register says beside a plan: which lots fill its loads, and the gates of its lots.

A plan is in liquids and loads; its report names lots too. They come from the register, by the
same allocation that ``bulkflow loads allocate`` keeps; here nothing is kept. Where a workspace
was planned without a register, its tables are taken over into one in memory, for the report
alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from sqlalchemy.orm import Session

from bulkflow.loads.bodies import LotShare
from bulkflow.loads.proposing import ProposedLoad, propose
from bulkflow.loads.queries import loads_in
from bulkflow.loads.tables import LOADS
from bulkflow.lots.evidence_pictures import characteristic_picture, decision_picture
from bulkflow.lots.explaining import Explanation, explain_lots
from bulkflow.lots.queries import LotFilter, list_lots
from bulkflow.lots.register import open_register
from bulkflow.lots.seeds import has_lots, has_opening, import_seeds
from bulkflow.lots.tables import DECISION
from bulkflow.plan.result import HeldLoad, PlanResult
from bulkflow.program.answer import LoadKind, Plan
from bulkflow.records.actors import Actor
from bulkflow.records.chain import records_about
from bulkflow.records.settings import settings_for
from bulkflow.records.times import Clock, system_clock
from bulkflow.scenario.model import Scenario

__all__ = ["Filling", "LotsInLoads", "lots_in_loads"]

IN_MEMORY = "sqlite:///:memory:"


@dataclass(frozen=True, slots=True)
class Filling:
    """What fills a load.

    Parameters
    ----------
    name : what the load is, or would be, called in the register.
    shares : lots, oldest first, with their LPA; empty where none could be found.
    held : why it cannot be filled from released lots; '' where nothing holds it.
    earliest : the first day on which a held load could be filled, where one is known.
    on_register : whether the register has the load.
    """

    name: str
    shares: tuple[LotShare, ...]
    held: str = ""
    earliest: date | None = None
    on_register: bool = False


@dataclass(frozen=True, slots=True)
class LotsInLoads:
    """What the register says beside a plan.

    Parameters
    ----------
    fillings : by the name of the load in the plan; loads from suppliers have none.
    lots : why each lot that holds liquid may ship or not.
    remarks : what the reader should know of the allocation.
    decisions : pictures of the panel decisions that stand on these lots, by lot, then of their
        rules, by none ('').
    """

    fillings: dict[str, Filling] = field(default_factory=dict)
    lots: tuple[Explanation, ...] = ()
    remarks: tuple[str, ...] = ()
    decisions: tuple[tuple[str, str], ...] = ()

    def unfilled(self) -> tuple[str, ...]:
        """Return the loads of the plan for which no lots could be found."""
        return tuple(load for load, one in self.fillings.items() if one.held and not one.shares)

    def told_to(self, result: PlanResult) -> PlanResult:
        """Return the plan with the loads that released lots cannot fill, for its summary."""
        held = (
            HeldLoad(load, one.held, tuple(share.lot_id for share in one.shares), one.earliest)
            for load, one in self.fillings.items()
            if one.held
        )
        return replace(result, held_loads=tuple(held))

    def soonest(self, plan: Plan) -> tuple[str, ...]:
        """Return the loads that the register has and that are still to leave, soonest first."""
        leaving = sorted(
            (load.loading_day, found.name)
            for load in plan.loads
            if load.kind is not LoadKind.UNDER_WAY
            and (found := self.fillings.get(load.load_id)) is not None
            and found.on_register
        )
        return tuple(name for _, name in leaving)


def lots_in_loads(
    scenario: Scenario,
    folder: Path,
    plan: Plan,
    *,
    register: bool,
    chain_head: str = "",
    database: str | None = None,
    seconds: float | None = None,
    clock: Clock = system_clock,
) -> LotsInLoads:
    """Return what fills the loads of a plan, and the gates of the lots there are.

    Parameters
    ----------
    scenario : as it was planned, with the opening lots of the plan.
    folder : the workspace.
    register : whether the plan was made from its register; else its tables are read.
    chain_head : of the register when the plan was made.
    seconds : wall time for each goal of the allocation; its work is limited besides.

    Raises
    ------
    PlanningError
        No allocation was found in the time.
    RecordsError, InputError
        The register cannot be opened; the tables cannot be taken over.
    """
    opened = _register(folder, database) if register else _from_tables(folder, clock)
    with opened as session:
        if session is None:
            return LotsInLoads()
        lots = explain_lots(session, list_lots(session, LotFilter(with_stock=True)))
        proposal = propose(session, scenario, plan, chain_head=chain_head, seconds=seconds)
        known = {
            one.load_id: Filling(one.load_id, one.shares, on_register=True)
            for one in loads_in(session)
        }
        known |= {one.load.load_id: _filling(one) for one in proposal.loads}
        fillings = {load: known[name] for load, name in proposal.names.items() if name in known}
        gaps = tuple(
            f"Which lot fills which load is not proved best in one goal ({goal}, {gap:.2%} off)."
            for goal, gap in proposal.gaps
        )
        return LotsInLoads(
            fillings,
            tuple(lots),
            (*proposal.remarks, *gaps),
            tuple(_decision_pictures(session, [one.lot.lot_id for one in lots])),
        )


def _decision_pictures(session: Session, lots: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Yield lots with a picture of the standing panel decision, then one of each rule applied."""
    rules: dict[tuple[str, int], str] = {}
    for lot in lots:
        standing = records_about(session, lot, kinds=(DECISION.name,))[-1:]
        for record in standing:
            evidence = record.content["evidence"]
            picture = decision_picture(evidence, name=f"decision-{record.seq}")
            if not picture:
                continue
            yield lot, picture
            rule = evidence["rule"]
            rules.setdefault(
                (rule["rule_id"], rule["rule_version"]),
                characteristic_picture(
                    evidence["operating_characteristic"],
                    rule["document"],
                    name=f"risks-{record.seq}",
                ),
            )
    yield from (("", picture) for picture in rules.values() if picture)


@contextmanager
def _register(folder: Path, database: str | None) -> Iterator[Session | None]:
    settings = settings_for(folder, database)
    with open_register(settings, LOADS, create=False) as store, store.read() as session:
        yield session


@contextmanager
def _from_tables(folder: Path, clock: Clock) -> Iterator[Session | None]:
    """Give the workspace's tables taken over into a register in memory; None without tables."""
    if not has_opening(folder):
        yield None
        return
    settings = settings_for(folder, IN_MEMORY)
    reader = Actor.current()
    with open_register(settings, LOADS, actor=reader, clock=clock) as store:
        with store.write(reader) as session:
            import_seeds(session, folder, today=clock().date())
        with store.read() as session:
            yield session if has_lots(session) else None


def _filling(one: ProposedLoad) -> Filling:
    """Return what fills a load as it would stand on the register."""
    shares = tuple(share for part in one.load.parts for share in part.shares)
    known = one.before is not None
    return Filling(one.load.load_id, shares, one.reason, one.earliest, known)
