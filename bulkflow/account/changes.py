"""Why a new plan differs from an earlier one: what the register learned in between.

The earlier plan names the head of the chain it was made at; every record after it is news. Told
are the events that move a plan, newest knowledge last: lots that failed or were cleared, loads
that arrived and how much they brought, what was bottled, entered, closed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from decimal import Decimal
from pathlib import Path

from sqlalchemy.orm import Session

from bulkflow.account.ledger import Line, postings_in
from bulkflow.account.tables import ACCOUNT
from bulkflow.loads.queries import loads_in
from bulkflow.loads.tables import LOADS
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.queries import lots_named
from bulkflow.lots.register import open_register
from bulkflow.plan.result import PlanResult
from bulkflow.program.answer import Plan
from bulkflow.records.chain import Record, records_in
from bulkflow.records.settings import settings_for

__all__ = ["news_in", "news_since"]


def news_since(folder: Path, database: str | None, earlier: PlanResult) -> tuple[str, ...]:
    """Return what a workspace's register learned since an earlier plan, a sentence each.

    Raises
    ------
    DatabaseError
        If the register cannot be opened.
    """
    with (
        open_register(settings_for(folder, database), LOADS, ACCOUNT, create=False) as store,
        store.read() as session,
    ):
        return news_in(session, earlier)


def news_in(session: Session, earlier: PlanResult) -> tuple[str, ...]:
    """Return what the register learned since the chain head of an earlier plan."""
    number, _, _ = earlier.chain_head.partition(":")
    after = int(number) if number.isdigit() else 0
    teller = _Teller(session, earlier.plan)
    records = [record for record in records_in(session, after=after) if record.kind in teller.ways]
    return tuple(teller.told(records))


Told = Iterable[str]


class _Teller:
    """Puts records into sentences, those of a kind together."""

    def __init__(self, session: Session, plan: Plan) -> None:
        self._session = session
        self._loads = {load.load_id for load in plan.loads}
        self.ways: Mapping[str, Callable[[list[Record]], Told]] = {
            "decision": self._lots,
            "hold": self._lots,
            "lift": self._lots,
            "result": self._lots,
            "override": self._lots,
            "load step": self._arrivals,
            "bottling": self._bottlings,
            "lot": self._new_lots,
            "account entry": self._entries,
            "closing": self._closings,
        }

    def told(self, records: list[Record]) -> Told:
        """Yield the sentences: lots first, then loads, then the rest."""
        by_way: dict[Callable[[list[Record]], Told], list[Record]] = defaultdict(list)
        for record in records:
            by_way[self.ways[record.kind]].append(record)
        for way in dict.fromkeys(self.ways.values()):
            if way in by_way:
                yield from way(by_way[way])

    def _lots(self, records: list[Record]) -> Told:
        """Say how each lot stands now that something was decided or measured of it."""
        last = {record.subject: record for record in records}
        lines = lots_named(self._session, last)
        for name, record in sorted(last.items()):
            line = lines.get(name)
            if line is None:
                continue
            may = "may ship" if line.status is LotStatus.RELEASED else "may not ship"
            yield (
                f"Lot {name} ({line.liquid_id}, {line.lpa_left:,.0f} LPA left) is"
                f" {line.status.value} and {may} since its {record.kind} (record {record.seq})."
            )

    def _new_lots(self, records: list[Record]) -> Told:
        lpa: dict[tuple[str, str, str], Decimal] = defaultdict(Decimal)
        for record in records:
            body = record.content
            if body["origin"] != "opening":
                key = (body["origin"], body["liquid_id"], body["site_id"])
                lpa[key] += Decimal(body["measurement"]["lpa"])
        for (origin, liquid, site), amount in sorted(lpa.items()):
            yield f"{amount:,.0f} LPA of {liquid} were {origin} at {site}."

    def _arrivals(self, records: list[Record]) -> Told:
        """Say what each load brought, and which left."""
        came = [r.content["load_id"] for r in records if r.content["state"] == "discharged"]
        left = [r.content["load_id"] for r in records if r.content["state"] == "departed"]
        missing: dict[str, Decimal] = defaultdict(Decimal)
        brought: dict[str, Decimal] = defaultdict(Decimal)
        for one in postings_in(self._session, lines=[Line.TRANSIT, Line.RECEIVED]):
            if one.line is Line.TRANSIT and one.place == Line.TRANSIT.value:
                missing[one.subject] += one.lpa
            elif one.line is Line.RECEIVED and one.lpa > 0:
                brought[one.subject] += one.lpa
        loads = {load.load_id: load for load in loads_in(self._session)}
        for name in came:
            gone = missing[name]
            how = "short" if gone > 0 else "over"
            told = f"{abs(gone):,.0f} LPA {how} of what was sent" if gone else "as sent"
            where = loads[name].destination
            yield f"Load {name} arrived at {where} with {brought[name]:,.0f} LPA, {told}."
        known = [name for name in left if name in self._loads and name not in came]
        new = [name for name in known if loads[name].shares]
        if new:
            yield f"Loads that left: {', '.join(new)}."

    def _bottlings(self, records: list[Record]) -> Told:
        taken: dict[str, Decimal] = defaultdict(Decimal)
        for record in records:
            body = record.content
            taken[body["site_id"]] += sum(Decimal(one["lpa"]) for one in body["sources"])
        told = ", ".join(f"{site} {lpa:,.0f}" for site, lpa in sorted(taken.items()))
        yield f"Bottled, in LPA taken: {told}."

    def _entries(self, records: list[Record]) -> Told:
        for record in records:
            body = record.content
            if body["kind"] != "taken over":
                yield (
                    f"{body['site_id']}, {body['liquid_id']}: {Decimal(body['lpa']):+,.0f} LPA,"
                    f" {body['kind']}: {body['reason']} (record {record.seq})."
                )

    def _closings(self, records: list[Record]) -> Told:
        for record in records:
            yield f"{record.content['quarter']} of {record.content['site_id']} was closed."
