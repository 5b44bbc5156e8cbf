"""Declaring what lots are held against: sites, laboratory limits, release rules.

Each declaration of the same thing supersedes the one before; nothing is forgotten.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.lots.bodies import Limit, ReleaseRule, Site
from bulkflow.lots.law import standing_origin
from bulkflow.lots.tables import (
    LIMIT,
    LIMIT_TABLE,
    RULE,
    RULE_TABLE,
    SITE,
    SITE_TABLE,
)
from bulkflow.records.actors import Power
from bulkflow.records.amounts import ROUNDINGS, STANDARD_ROUNDING, Rounding
from bulkflow.records.chain import Record, append, is_current, require
from bulkflow.records.schema import RECORD
from bulkflow.records.times import check_zone

__all__ = [
    "StandingLimit",
    "StandingRule",
    "declare_limit",
    "declare_rule",
    "declare_site",
    "limits_of",
    "rounding_of",
    "rules_in_force",
    "standing_rule",
    "zone_of",
]


@dataclass(frozen=True, slots=True)
class StandingRule:
    """The release rule of a liquid in force, and the record that declared it."""

    record: int
    declared_at: str
    rule: ReleaseRule


@dataclass(frozen=True, slots=True)
class StandingLimit:
    """A limit in force, and the record that declared it."""

    record: int
    liquid_id: str
    market: str | None
    analyte: str
    unit: str
    minimum: Decimal | None
    maximum: Decimal | None
    required: bool


def declare_site(session: Session, site: Site) -> Record:
    """Declare a site's zone and rounding.

    Raises
    ------
    InputError
        If the zone or the rounding rule is not known.
    RefusedError
        If the acting person may not declare.
    """
    require(session, Power.DECLARE, f"declare site {site.site_id}")
    faults = []
    try:
        check_zone(site.zone)
    except ValueError as error:
        faults.append(Fault("", 0, "zone", f"is {site.zone!r}", f"{error}."))
    if site.rounding not in ROUNDINGS:
        mend = f"Give one of {', '.join(ROUNDINGS)}."
        faults.append(Fault("", 0, "rounding", f"is {site.rounding!r}", mend))
    if faults:
        raise InputError(faults)
    before = session.scalar(
        select(SITE_TABLE.c.seq).where(
            SITE_TABLE.c.site_id == site.site_id, is_current(SITE_TABLE.c.seq)
        )
    )
    return append(session, SITE, site, supersedes=before, zone=site.zone)


def zone_of(session: Session, site_id: str) -> str | None:
    """Return the zone declared for a site, or None."""
    zone: str | None = session.scalar(_site(site_id, SITE_TABLE.c.zone))
    return zone


def rounding_of(session: Session, site_id: str) -> Rounding:
    """Return the rounding declared for a site's authority; the standard one where none is."""
    name = session.scalar(_site(site_id, SITE_TABLE.c.rounding))
    return STANDARD_ROUNDING if name is None else ROUNDINGS[name]


def _site(site_id: str, column: Any) -> Any:
    return select(column).where(SITE_TABLE.c.site_id == site_id, is_current(SITE_TABLE.c.seq))


def declare_limit(session: Session, limit: Limit) -> Record:
    """Declare a laboratory limit of a liquid; the same liquid, market and analyte supersede.

    A limit of law (:mod:`bulkflow.lots.law`) stays beside it: a house tightens or adds.
    """
    require(session, Power.DECLARE, f"declare a limit of {limit.liquid_id}")
    before = standing_origin(session, limit)
    return append(session, LIMIT, limit, supersedes=before and before[0])


def limits_of(session: Session, liquid_id: str | None = None) -> list[StandingLimit]:
    """Return the limits in force, of one liquid or of all."""
    query = (
        select(LIMIT_TABLE)
        .where(is_current(LIMIT_TABLE.c.seq))
        .order_by(LIMIT_TABLE.c.liquid_id, LIMIT_TABLE.c.analyte, LIMIT_TABLE.c.seq)
    )
    if liquid_id is not None:
        query = query.where(LIMIT_TABLE.c.liquid_id == liquid_id)
    rows = [dict(row) for row in session.execute(query).mappings()]
    return [StandingLimit(record=row.pop("seq"), **row) for row in rows]


def declare_rule(session: Session, rule: ReleaseRule) -> Record:
    """Declare the release rule of a liquid; a new version supersedes the one in force.

    Raises
    ------
    InputError
        If its version is not above the one in force under the same name.
    RefusedError
        If the acting person may not declare.
    """
    require(session, Power.DECLARE, f"declare the release rule of {rule.liquid_id}")
    before = standing_rule(session, rule.liquid_id)
    same = before is not None and before.rule.rule_id == rule.rule_id
    if before is not None and same and rule.rule_version <= before.rule.rule_version:
        mend = f"Give a version above {before.rule.rule_version}."
        found = f"is {rule.rule_version}, but {before.rule.rule_version} is in force"
        raise InputError(Fault("", 0, "rule_version", found, mend))
    return append(session, RULE, rule, supersedes=None if before is None else before.record)


def standing_rule(
    session: Session, liquid_id: str, *, on: date | None = None
) -> StandingRule | None:
    """Return the release rule in force for a liquid, or None.

    Parameters
    ----------
    on : the rule in force at the end of that day (UTC) rather than now.
    """
    query = (
        select(RECORD)
        .join(RULE_TABLE, RULE_TABLE.c.seq == RECORD.c.seq)
        .where(RULE_TABLE.c.liquid_id == liquid_id)
        .order_by(RECORD.c.seq.desc())
        .limit(1)
    )
    if on is not None:
        query = query.where(RECORD.c.at < f"{on.isoformat()}T24")
    row = session.execute(query).mappings().first()
    if row is None:
        return None
    record = Record(**row)
    return StandingRule(record.seq, record.at, RULE.read(record.version, record.body))


def rules_in_force(session: Session) -> list[StandingRule]:
    """Return the release rules in force, in order of their liquids."""
    query = (
        select(RECORD)
        .join(RULE_TABLE, RULE_TABLE.c.seq == RECORD.c.seq)
        .where(is_current(RULE_TABLE.c.seq))
        .order_by(RULE_TABLE.c.liquid_id)
    )
    records = [Record(**row) for row in session.execute(query).mappings()]
    return [
        StandingRule(record.seq, record.at, RULE.read(record.version, record.body))
        for record in records
    ]
