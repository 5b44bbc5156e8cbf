"""What the records of panels say of lots, standards and assessors: read as plain records.

Whoever has no panel software can still see what a lot waits for. Kinds and fields are those that
`panels` writes; what is not as expected counts as not there.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from sqlalchemy.orm import Session

from bulkflow.records.chain import Record, records_in

__all__ = ["PanelFacts", "Planned", "StandardKept", "panel_facts"]

CONFIRM = "confirm the off-note"
RETEST = "retest"
BY_PERSON = "a person with the role decides"

_SITTING, _CLOSING, _CANCELLATION = "panel sitting", "panel closing", "panel cancellation"
_TEST, _ANSWERED = "panel confirmation plan", "panel confirmation"
_STANDARD, _QUALIFICATION, _DECISION = "panel standard", "panel qualification", "decision"


@dataclass(frozen=True, slots=True)
class Planned:
    """A sitting, or a directed test, by name and day."""

    name: str
    held_on: date


@dataclass(frozen=True, slots=True)
class StandardKept:
    """A reference standard that nothing follows yet."""

    name: str
    liquid: str
    use_by: date


@dataclass(frozen=True, slots=True)
class PanelFacts:
    """What panels have recorded.

    Parameters
    ----------
    next_step : by lot, what the last panel decision on it asks for.
    notes : by lot, the off-notes that stand on it.
    undecided : by lot, closed sittings that no decision on it has taken into account.
    running : by lot, the sitting it is planned for.
    tests : by lot, its directed test that has no answers yet.
    standards : those in use, the first to expire first.
    qualified_until : by assessor, as last judged; those who did not qualify are left out.
    noses : by lot, how many assessors its last sitting had.
    any_sitting : whether there was one, from which the next takes people and times.
    """

    next_step: dict[str, str] = field(default_factory=dict)
    notes: dict[str, tuple[str, ...]] = field(default_factory=dict)
    undecided: dict[str, tuple[str, ...]] = field(default_factory=dict)
    running: dict[str, Planned] = field(default_factory=dict)
    tests: dict[str, Planned] = field(default_factory=dict)
    standards: tuple[StandardKept, ...] = ()
    qualified_until: dict[str, date] = field(default_factory=dict)
    noses: dict[str, int] = field(default_factory=dict)
    any_sitting: bool = False


def panel_facts(session: Session) -> PanelFacts:
    """Return what the register holds of panels; nothing where no panel was ever recorded."""
    kinds = (_SITTING, _CLOSING, _CANCELLATION, _TEST, _ANSWERED, _STANDARD, _QUALIFICATION,
             _DECISION)  # fmt: skip
    by_kind = _standing(records_in(session, kinds=kinds))
    sittings = {body["sitting"]: body for body in by_kind[_SITTING]}
    closed = {body["sitting"] for body in by_kind[_CLOSING]}
    cancelled = {body["sitting"] for body in by_kind[_CANCELLATION]}
    considered, sources = _decided(by_kind[_DECISION])
    running: dict[str, Planned] = {}
    undecided: dict[str, list[str]] = defaultdict(list)
    for name, body in sittings.items():
        for lot in (one["lot"] for one in body["lots"]):
            if name in closed and name not in considered[lot]:
                undecided[lot].append(name)
            elif name not in closed | cancelled:
                running[lot] = Planned(name, date.fromisoformat(body["held_on"]))
    answered = {body["test"] for body in by_kind[_ANSWERED]}
    followed = {body.get("successor_of") for body in by_kind[_STANDARD]}
    standards = [
        StandardKept(body["standard"], body["liquid"], date.fromisoformat(body["use_by"]))
        for body in {body["standard"]: body for body in by_kind[_STANDARD]}.values()
        if body["standard"] not in followed
    ]
    return PanelFacts(
        next_step={lot: str(one.get("next_step")) for lot, one in sources.items()},
        notes={lot: tuple(one.get("off_notes_standing") or ()) for lot, one in sources.items()},
        undecided={lot: tuple(names) for lot, names in undecided.items()},
        running=running,
        tests={
            body["lot"]: Planned(body["test"], date.fromisoformat(body["held_on"]))
            for body in by_kind[_TEST]
            if body["test"] not in answered
        },
        standards=tuple(sorted(standards, key=lambda one: (one.use_by, one.name))),
        qualified_until={
            who: date.fromisoformat(body["valid_until"])
            for who, body in {body["assessor"]: body for body in by_kind[_QUALIFICATION]}.items()
            if not body.get("lacks")
        },
        noses={
            one["lot"]: len(body["assessors"])
            for body in sorted(sittings.values(), key=lambda one: str(one["held_on"]))
            for one in body["lots"]
        },
        any_sitting=bool(sittings),
    )


def _standing(records: Iterable[Record]) -> dict[str, list[Any]]:
    """Return the bodies that stand, by kind, oldest first."""
    listed = list(records)
    replaced = {record.supersedes for record in listed}
    found: dict[str, list[Any]] = defaultdict(list)
    for record in listed:
        if record.seq not in replaced:
            found[record.kind].append(record.content)
    return found


def _decided(decisions: Iterable[Any]) -> tuple[dict[str, set[str]], dict[str, dict[str, Any]]]:
    """Return, by lot, the sittings taken into account, and what its last panel decision rests on.

    A decision of another source (a person, a laboratory) leaves what the panel asked for behind.
    """
    considered: dict[str, set[str]] = defaultdict(set)
    sources: dict[str, dict[str, Any]] = {}
    for body in decisions:
        lot, source = body["lot_id"], (body.get("evidence") or {}).get("source")
        if not isinstance(source, dict):
            sources.pop(lot, None)
            continue
        listed = source.get("sittings_considered")
        considered[lot].update(listed if isinstance(listed, list) else [str(source.get("sitting"))])
        sources[lot] = source
    return considered, sources
