"""The return of a quarter: for each site and liquid, opening, every line, closing, in LPA.

Opening plus the lines is the closing balance, to the last digit, and the closing balance is the
next opening. Lines that correct a closed quarter stand apart, each with its record. LPA of the
account have three places; beside them stands each amount as the authority rounds it (or in proof
gallons), rounded once and each by itself: those need not add up, and the account is the LPA.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from sqlalchemy.orm import Session

from bulkflow.account.agreement import unsound
from bulkflow.account.bodies import quarter_days
from bulkflow.account.gauging import proof_gallons_of
from bulkflow.account.ledger import Ledger, Line, Posting, postings_in, read_ledger
from bulkflow.account.movements import Movement, movements
from bulkflow.account.owing import Places
from bulkflow.account.queries import ClosingRecord, closings_in
from bulkflow.duty import round_to
from bulkflow.errors import Fault, InputError
from bulkflow.records.chain import head
from bulkflow.rules import QuantityRounding, quantity_rounding
from bulkflow.scenario.model import Scenario

__all__ = [
    "CLOSING",
    "OPENING",
    "DutyLine",
    "LateLine",
    "QuarterReturn",
    "ReturnLine",
    "quarter_return",
]

OPENING, CLOSING = "opening", "closing"


@dataclass(frozen=True, slots=True)
class ReturnLine:
    """One line of a site and liquid.

    Parameters
    ----------
    line : ``opening``, a line of the account, or ``closing``.
    declared : as the authority rounds it, in `declared_unit`.
    """

    site_id: str
    liquid_id: str
    line: str
    lpa: Decimal
    declared: Decimal
    declared_unit: str


@dataclass(frozen=True, slots=True)
class LateLine:
    """An amount that counts in this quarter and happened in an earlier one, closed before."""

    site_id: str
    liquid_id: str
    line: str
    lpa: Decimal
    happened: date
    counted: date
    record: int
    subject: str


@dataclass(frozen=True, slots=True)
class DutyLine:
    """Duty falling due in the quarter on a movement, for information."""

    site_id: str
    load_id: str
    liquid_id: str
    what: str
    lpa: Decimal
    amount: Decimal
    currency: str
    payable: date
    basis: str


@dataclass(frozen=True, slots=True)
class QuarterReturn:
    """The return of one or more sites for a quarter.

    Parameters
    ----------
    chain_head : of the register when it was made: print it.
    closed : by site, the record that closed the quarter; None where it is still open.
    """

    quarter: str
    first_day: date
    last_day: date
    sites: tuple[str, ...]
    lines: tuple[ReturnLine, ...]
    late: tuple[LateLine, ...]
    duty: tuple[DutyLine, ...]
    chain_head: str
    closed: tuple[tuple[str, ClosingRecord | None], ...]
    roundings: tuple[str, ...]

    def closing_of(self, site_id: str) -> dict[str, Decimal]:
        """Return the closing LPA of a site by liquid."""
        return {
            one.liquid_id: one.lpa
            for one in self.lines
            if one.site_id == site_id and one.line == CLOSING
        }


def quarter_return(
    session: Session, scenario: Scenario, quarter: str, sites: Sequence[str] = ()
) -> QuarterReturn:
    """Return the quarter of some sites, or of all.

    Raises
    ------
    InputError
        If the quarter is none, a site has no account and is not in the workspace, or the account
        does not add up.
    """
    try:
        first, last = quarter_days(quarter)
    except ValueError as error:
        found = f"is {quarter[:20]!r}"
        raise InputError(Fault("", 0, "quarter", found, "Give one as 2027-Q1.")) from error
    ledger, places = read_ledger(session), Places(scenario)
    chosen = tuple(sites) or ledger.sites()
    known = {*ledger.sites(), *places.sites}
    mend = f"Give some of {', '.join(sorted(known))}."
    faults = [
        Fault("", 0, "site", f"is {name!r}, which has no account", mend)
        for name in chosen
        if name not in known
    ]
    faults += unsound(session, chosen, last)
    if faults:
        raise InputError(faults)
    closings = {(one.closing.site_id, one.closing.quarter): one for one in closings_in(session)}
    declarers = {site: _Declarer(places, site, last) for site in chosen}
    return QuarterReturn(
        quarter=quarter,
        first_day=first,
        last_day=last,
        sites=chosen,
        lines=tuple(
            line for site in chosen for line in _lines(ledger, site, first, last, declarers[site])
        ),
        late=tuple(_late(postings_in(session, late=True), chosen, first, last)),
        duty=tuple(_duty(movements(session, scenario), chosen, first, last)),
        chain_head=str(head(session)),
        closed=tuple((site, closings.get((site, quarter))) for site in chosen),
        roundings=tuple(f"{site}: {declarers[site].words}" for site in chosen),
    )


class _Declarer:
    """How a site's authority has amounts stated."""

    def __init__(self, places: Places, site: str, on: date) -> None:
        self.proof = places.in_proof_gallons(site)
        place = places.jurisdiction(site)
        rule = quantity_rounding(place or "ALL", on=on)
        if rule is None or rule.unit != "LPA":
            rule = quantity_rounding("ALL", on=on)
        assert rule is not None  # the rules have one for everywhere
        self.rule: QuantityRounding = rule
        self.unit = "proof gallons" if self.proof else "LPA"
        self.words = (
            f"proof gallons to 0.1 ({proof_gallons_of(Decimal(0)).basis}; 27 CFR 30.1)"
            if self.proof
            else f"{rule.title} ({rule.source}, {rule.basis.value})"
        )

    def of(self, lpa: Decimal) -> Decimal:
        """Return an amount as it is declared."""
        if self.proof:
            return proof_gallons_of(lpa).amount
        return round_to(abs(lpa), self.rule).copy_sign(lpa)


def _lines(
    ledger: Ledger, site: str, first: date, last: date, declarer: _Declarer
) -> Iterable[ReturnLine]:
    amounts: dict[str, dict[str, Decimal]] = defaultdict(lambda: defaultdict(Decimal))
    before = first - timedelta(days=1)
    for (place, liquid), lpa in ledger.balances(before).items():
        if place == site:
            amounts[liquid][OPENING] = lpa
    for (place, liquid, line, day), lpa in ledger.sums.items():
        if place == site and first <= day <= last:
            amounts[liquid][line.value] += lpa
    order = {OPENING: -1, **{line.value: place for place, line in enumerate(Line)}}
    for liquid in sorted(amounts):
        found = amounts[liquid]
        found.setdefault(OPENING, Decimal("0.000"))
        for name in sorted(found, key=order.__getitem__):
            if found[name] or name == OPENING:
                lpa = found[name]
                yield ReturnLine(site, liquid, name, lpa, declarer.of(lpa), declarer.unit)
        closing = sum(found.values(), Decimal("0.000"))
        yield ReturnLine(site, liquid, CLOSING, closing, declarer.of(closing), declarer.unit)


def _late(
    postings: Sequence[Posting], sites: Sequence[str], first: date, last: date
) -> Iterable[LateLine]:
    for one in postings:
        if one.place in sites and first <= one.day <= last:
            yield LateLine(
                site_id=one.place,
                liquid_id=one.liquid_id,
                line=one.line.value,
                lpa=one.lpa,
                happened=one.happened,
                counted=one.day,
                record=one.record,
                subject=one.subject,
            )


def _duty(
    found: Sequence[Movement], sites: Sequence[str], first: date, last: date
) -> Iterable[DutyLine]:
    for one in found:
        day = one.discharged_on
        if day is None or not first <= day <= last or one.load.destination not in sites:
            continue
        for crossing in one.crossings:
            assert crossing.difference is not None  # it was discharged
            amounts = (
                ("on receipt, duty paid", crossing.falls_due, crossing.difference.received),
                ("on loss, unless it is allowed", crossing.duty_on_loss, crossing.difference.lpa),
                ("on loss above the allowance", crossing.duty_above, crossing.difference.above),
            )
            for what, owing, lpa in amounts:
                if owing is not None:
                    yield DutyLine(
                        site_id=one.load.destination,
                        load_id=one.load.load_id,
                        liquid_id=crossing.liquid_id,
                        what=what,
                        lpa=lpa,
                        amount=owing.due.amount,
                        currency=owing.due.currency,
                        payable=owing.payable,
                        basis=f"{owing.authority}: {owing.basis}",
                    )
