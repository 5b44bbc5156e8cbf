"""Who is acting, and what their roles allow.

Every record carries the acting person, the operating-system account behind them, and the
capacity they acted in. Roles come from records of appointment. As long as nobody holds the power
to appoint, whoever uses the machine may do everything, and each record says so; from the
first such appointment on, only appointed persons act, and each refusal is recorded.

Roles guard against mistakes and give each act a name. They do not withstand someone who controls
the machine or the database: the printed chain head does (:mod:`bulkflow.records.verification`).
"""

from __future__ import annotations

import getpass
import os
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Literal

from pydantic import Field
from sqlalchemy import Column, ForeignKey, Index, Integer, Table, Text, func, select
from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.records.kinds import Body, Kind
from bulkflow.records.schema import METADATA

__all__ = [
    "APPOINTMENT",
    "APPOINTMENT_TABLE",
    "REFUSAL",
    "ROLE_POWERS",
    "Actor",
    "Appointment",
    "Power",
    "Refusal",
    "Role",
    "appointed",
    "current_account",
    "holders",
    "nobody_appoints",
    "powers_of",
    "roles_of",
]


LONGEST_NAME = 80


class Power(StrEnum):
    """What a role may allow."""

    RECORD = "record lots and samples"
    MEASURE = "record laboratory results"
    DECIDE_PANEL = "decide on a lot for the panel"
    DECIDE_LABORATORY = "decide on a lot for the laboratory"
    OVERRIDE = "override a gate"
    HOLD = "place a hold"
    LIFT = "lift a hold"
    DISPOSE = "dispose of a rejected lot"
    ISSUE = "issue load sheets"
    DECLARE = "declare limits, release rules and sites"
    OPEN = "take over lots and decisions from before the register"
    APPOINT = "appoint to roles"


class Role(StrEnum):
    """The roles a person may be appointed to."""

    CLERK = "clerk"
    LABORATORY = "laboratory"
    PANEL_LEADER = "panel leader"
    RELEASE_OFFICER = "release officer"
    OWNER = "owner of the register"


ROLE_POWERS: Mapping[Role, frozenset[Power]] = MappingProxyType(
    {
        Role.CLERK: frozenset({Power.RECORD}),
        Role.LABORATORY: frozenset(
            {Power.RECORD, Power.MEASURE, Power.DECIDE_LABORATORY, Power.HOLD}
        ),
        Role.PANEL_LEADER: frozenset({Power.RECORD, Power.DECIDE_PANEL, Power.HOLD}),
        Role.RELEASE_OFFICER: frozenset(Power) - {Power.APPOINT},
        Role.OWNER: frozenset(Power),
    }
)


@dataclass(frozen=True, slots=True)
class Actor:
    """The acting person.

    Parameters
    ----------
    name : who acts.
    account : the operating-system account they act from.
    """

    name: str
    account: str

    @classmethod
    def current(cls, name: str | None = None) -> Actor:
        """Return the person named, else the operating-system user.

        Raises
        ------
        InputError
            If the name is longer than 80 characters or holds one that cannot be printed.
        """
        account = current_account()
        person = (name or "").strip() or account
        if len(person) > LONGEST_NAME or not person.isprintable():
            mend = f"Give a name of at most {LONGEST_NAME} printable characters."
            raise InputError(Fault("", 0, "the acting person", f"is {person[:40]!r}", mend))
        return cls(name=person, account=account)

    @property
    def words(self) -> str:
        """Who acts, and how that is known."""
        if self.name == self.account:
            return f"{self.name} (the operating-system user)"
        return f"{self.name} (as named by the operating-system user {self.account})"


def current_account() -> str:
    """Return the account this process runs under.

    Taken from the process itself where the system tells, since the environment can say anything.
    """
    if hasattr(os, "getuid"):
        import pwd

        try:
            return pwd.getpwuid(os.getuid()).pw_name
        except KeyError:
            return f"uid {os.getuid()}"
    return getpass.getuser()


class Appointment(Body):
    """A person is given a role, or gives it up."""

    person: str = Field(min_length=1, max_length=LONGEST_NAME)
    role: Role
    action: Literal["appoint", "dismiss"]
    reason: str = Field(min_length=1)


class Refusal(Body):
    """Someone tried what their roles do not allow."""

    person: str
    attempted: str
    power: Power


APPOINTMENT_TABLE = Table(
    "appointment",
    METADATA,
    Column("seq", Integer, ForeignKey("record.seq"), primary_key=True, autoincrement=False),
    Column("person", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("action", Text, nullable=False),
    Index("appointment_person", "person", "role", "seq"),
)

APPOINTMENT = Kind(
    name="appointment",
    body=Appointment,
    subject=lambda body: body.person,
    rows=lambda body: [
        (
            APPOINTMENT_TABLE,
            {"person": body.person, "role": body.role.value, "action": body.action},
        )
    ],
    tables=(APPOINTMENT_TABLE,),
)

REFUSAL = Kind(name="refusal", body=Refusal, subject=lambda body: body.person)


def appointed(session: Session) -> dict[str, frozenset[Role]]:
    """Return the roles each person holds now."""
    latest = (
        select(func.max(APPOINTMENT_TABLE.c.seq))
        .group_by(APPOINTMENT_TABLE.c.person, APPOINTMENT_TABLE.c.role)
        .scalar_subquery()
    )
    rows = session.execute(
        select(APPOINTMENT_TABLE.c.person, APPOINTMENT_TABLE.c.role).where(
            APPOINTMENT_TABLE.c.seq.in_(latest), APPOINTMENT_TABLE.c.action == "appoint"
        )
    )
    held: dict[str, set[Role]] = {}
    for person, role in rows:
        held.setdefault(person, set()).add(Role(role))
    return {person: frozenset(roles) for person, roles in sorted(held.items())}


def roles_of(session: Session, person: str) -> frozenset[Role]:
    """Return the roles a person holds now."""
    return appointed(session).get(person, frozenset())


def nobody_appoints(session: Session) -> bool:
    """Return whether no one holds the power to appoint, so that everyone may do everything."""
    return not any(Power.APPOINT in _powers(roles) for roles in appointed(session).values())


def powers_of(session: Session, person: str) -> frozenset[Power]:
    """Return what a person may do now."""
    if nobody_appoints(session):
        return frozenset(Power)
    return _powers(roles_of(session, person))


def holders(power: Power) -> str:
    """Return the roles that hold a power, in words."""
    return " or ".join(role.value for role in Role if power in ROLE_POWERS[role])


def _powers(roles: frozenset[Role]) -> frozenset[Power]:
    return frozenset().union(*(ROLE_POWERS[role] for role in roles))
