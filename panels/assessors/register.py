"""The register of assessors: training, qualification with its date of expiry, who is fit to sit.

The rule is the newest declaration for the panel (`panels uses declare`, ``use: panel``) by the day
asked about; without one nobody is refused, and sittings say so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy.orm import Session

from bulkflow.records import records_in
from panels.records import QUALIFICATION, TRAINING, Qualification, Training

__all__ = ["Fitness", "PanelInForce", "fitness_on", "panel_rule_on"]

DECLARATION_KIND = "panel use declaration"


@dataclass(frozen=True, slots=True)
class PanelInForce:
    """The declared rule of the panel: its name with version, and its fields."""

    name: str
    record: int
    fields: Mapping[str, Any]

    @property
    def trainings(self) -> tuple[str, ...]:
        """What every assessor must be trained in."""
        return tuple(self.fields.get("trainings", ()))

    @property
    def valid_months(self) -> int:
        """How long a qualification holds."""
        return int(self.fields.get("valid_months", 12))


@dataclass(frozen=True, slots=True)
class Fitness:
    """An assessor on a day.

    Attributes
    ----------
    trained : what in, with the newest day.
    qualification : the newest by that day; None where there is none.
    lacks : what is missing on that day, in words; empty for who is fit to sit.
    """

    assessor: str
    trained: Mapping[str, date]
    qualification: Qualification | None
    lacks: tuple[str, ...]


def panel_rule_on(session: Session, day: date) -> PanelInForce | None:
    """Return the panel's rule declared last by a day; None where there is none."""
    found = [
        record
        for record in records_in(session, kinds=(DECLARATION_KIND,))
        if record.content["use"] == "panel"
        and date.fromisoformat(record.content["declared"]) <= day
    ]
    if not found:
        return None
    newest = max(found, key=lambda record: (record.content["declared"], record.seq))
    return PanelInForce(newest.content["subject"], newest.seq, newest.content["declaration"])


def fitness_on(session: Session, day: date, assessors: tuple[str, ...] = ()) -> dict[str, Fitness]:
    """Return everyone on the register, and these assessors, as they stand on a day.

    Without a rule nothing is lacking.
    """
    rule = panel_rule_on(session, day)
    trained: dict[str, dict[str, date]] = {}
    for record in records_in(session, kinds=(TRAINING.name,)):
        one: Training = TRAINING.read(record.version, record.body)
        if one.on <= day:
            own = trained.setdefault(one.assessor, {})
            own[one.what] = max(one.on, own.get(one.what, one.on))
    qualified: dict[str, Qualification] = {}
    for record in records_in(session, kinds=(QUALIFICATION.name,)):
        held: Qualification = QUALIFICATION.read(record.version, record.body)
        before = qualified.get(held.assessor)
        if held.on <= day and (before is None or held.on >= before.on):
            qualified[held.assessor] = held
    people = dict.fromkeys([*assessors, *trained, *qualified])
    return {
        name: Fitness(
            name,
            trained.get(name, {}),
            qualified.get(name),
            tuple(_lacks(rule, trained.get(name, {}), qualified.get(name), day)),
        )
        for name in people
    }


def _lacks(
    rule: PanelInForce | None,
    trained: Mapping[str, date],
    qualification: Qualification | None,
    day: date,
) -> list[str]:
    if rule is None:
        return []
    lacks = [f"no training in {what}" for what in rule.trainings if what not in trained]
    if qualification is None:
        lacks.append(f"no qualification by {rule.name}")
    elif qualification.lacks:
        lacks.append(f"does not meet {qualification.rule} ({', '.join(qualification.lacks)})")
    elif qualification.valid_until < day:
        lacks.append(f"qualification ended on {qualification.valid_until}")
    elif qualification.rule != rule.name:
        lacks.append(f"qualified by {qualification.rule}, and {rule.name} is in force")
    return lacks
