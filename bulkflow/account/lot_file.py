"""The file of a lot: everything the register knows of it, as one page that stands by itself.

A reader years later, with this page alone, sees what the lot was, where it came from, how it was
judged and under which rule, what was done with it and where it went, with the number and hash of
every record. What a sitting found is taken from the decision's own evidence; no panel software is
needed. The page makes no outside request and prints on A4.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from typing import Any, TypeVar

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from sqlalchemy.orm import Session

from bulkflow.account.movements import Movement, movements
from bulkflow.account.queries import BottlingRecord, bottlings_named
from bulkflow.account.recall import NodeKind, Recall, behind_lot, beyond_lot
from bulkflow.account.recall_picture import recall_picture
from bulkflow.loads.queries import LoadFilter, LoadRecord, loads_in
from bulkflow.lots.account import Account, account_of
from bulkflow.lots.bodies import Lot, Result, Sample
from bulkflow.lots.evidence import Evidence, ScoreSummary
from bulkflow.lots.evidence_pictures import characteristic_picture, decision_picture
from bulkflow.lots.explaining import Explanation, RecordNote, explain_lot, note_of
from bulkflow.lots.tables import LOT, RESULT, SAMPLE
from bulkflow.paper import stylesheet
from bulkflow.records.chain import Head, Record, head, records_about
from bulkflow.records.kinds import Body, Kind
from bulkflow.records.times import local_time
from bulkflow.scenario.model import Scenario

__all__ = ["DecisionPart", "LotFile", "lot_file", "lot_file_html"]


B = TypeVar("B", bound=Body)


@dataclass(frozen=True, slots=True)
class DecisionPart:
    """One decision with its evidence, in full; ``stands`` is false once another came after it.

    ``pictures`` are SVG texts with what each shows.
    """

    note: RecordNote
    outcome: str
    reason: str
    rule: str
    evidence: Mapping[str, Any]
    stands: bool
    pictures: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class LotFile:
    """What a lot's file shows.

    Parameters
    ----------
    description : the lot as its record describes it.
    notes : every record about the lot, in words; ``hashes`` gives each record's hash.
    """

    explained: Explanation
    description: Lot
    account: Account
    behind: Recall
    beyond: Recall
    results: tuple[tuple[RecordNote, Result, bool], ...]
    decisions: tuple[DecisionPart, ...]
    acts: tuple[RecordNote, ...]
    samples: tuple[tuple[RecordNote, Sample, bool], ...]
    loads: tuple[LoadRecord, ...]
    arrivals: tuple[Movement, ...]
    bottlings: tuple[BottlingRecord, ...]
    notes: tuple[RecordNote, ...]
    hashes: Mapping[int, str]
    head: Head


_ACTS = frozenset({"hold", "lift", "override", "expectation", "disposition"})


def lot_file(session: Session, scenario: Scenario, lot_id: str) -> LotFile:
    """Return all that the register knows of a lot.

    Raises
    ------
    InputError
        If the lot is not in the register.
    """
    explained = explain_lot(session, lot_id)
    history = records_about(session, lot_id)
    gone = {record.supersedes for record in history if record.supersedes is not None}
    loads = loads_in(session, LoadFilter(lot_id=lot_id))
    beyond = beyond_lot(session, lot_id)
    reached = [one.name for one in beyond.of_kind(NodeKind.LOAD)]
    names = [one.name for one in beyond.of_kind(NodeKind.BOTTLING)]
    notes = [note_of(record) for record in history]
    described = next(record for record in history if record.seq == explained.lot.record)
    decisions = [record for record in history if record.kind == "decision"]
    return LotFile(
        explained=explained,
        description=LOT.read(described.version, described.body),
        account=account_of(session, lot_id),
        behind=behind_lot(session, lot_id),
        beyond=beyond,
        results=tuple(_kept(history, RESULT, gone)),
        decisions=tuple(_decision(record, stands=record is decisions[-1]) for record in decisions),
        acts=tuple(note for note in notes if note.kind in _ACTS),
        samples=tuple(_kept(history, SAMPLE, gone)),
        loads=tuple(loads),
        arrivals=tuple(
            one
            for one in movements(session, scenario)
            if one.load.load_id in reached and one.discharged_on is not None
        ),
        bottlings=tuple(bottlings_named(session, names)),
        notes=tuple(notes),
        hashes={record.seq: record.hash for record in history},
        head=head(session),
    )


def _kept(
    history: Sequence[Record], kind: Kind[B], gone: set[int]
) -> list[tuple[RecordNote, B, bool]]:
    return [
        (note_of(record), kind.read(record.version, record.body), record.seq not in gone)
        for record in history
        if record.kind == kind.name
    ]


def _decision(record: Record, *, stands: bool) -> DecisionPart:
    body = record.content
    rule = "none"
    if body.get("rule_id"):
        rule = f"{body['rule_id']} version {body['rule_version']} (record {body['rule_record']})"
    evidence = dict.fromkeys((*Evidence.model_fields, "schema")) | body["evidence"]
    blank = dict.fromkeys(ScoreSummary.model_fields)
    evidence["scores"] = [blank | score for score in evidence["scores"] or ()]
    return DecisionPart(
        note_of(record),
        body["outcome"],
        body["reason"],
        rule,
        evidence,
        stands,
        tuple(_pictures(evidence, f"r{record.seq}")),
    )


def _pictures(evidence: Mapping[str, Any], name: str) -> Iterator[tuple[str, str]]:
    scores = decision_picture(evidence, name=name)
    if scores:
        yield (
            "Scores of the lot and its blind control by assessor, with limits and intervals",
            scores,
        )
    if evidence.get("operating_characteristic"):
        document = (evidence.get("rule") or {}).get("document")
        curves = characteristic_picture(
            evidence["operating_characteristic"], document, name=f"{name}-risks"
        )
        if curves:
            yield "What the rule does to lots of each quality, as declared beforehand", curves


@cache
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("bulkflow.account", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["lpa"] = _lpa
    made.filters["when"] = _when
    made.filters["words"] = _words
    made.filters["number"] = _number
    made.filters["inline"] = _inline
    made.filters["columns"] = _columns
    made.filters["plain_items"] = _plain_items
    made.filters["further_items"] = _further_items
    made.tests["flat_rows"] = _is_rows
    return made


def lot_file_html(found: LotFile) -> str:
    """Return a lot's file as the text of one HTML file."""
    pictures = [
        (title, Markup(recall_picture(recall, name=recall.direction)))
        for title, recall in (("Behind this lot", found.behind), ("Beyond this lot", found.beyond))
        if recall.links
    ]
    page = _environment().get_template("lot_file.html")
    style = stylesheet(f"Lot {found.explained.lot.lot_id}", str(found.head))
    return page.render(file=found, pictures=pictures, style=style)


def _lpa(value: Decimal | str | None) -> str:
    return "" if value is None else f"{Decimal(value):,.3f}"


def _when(note: RecordNote) -> str:
    return f"{local_time(note.at, note.zone):%Y-%m-%d %H:%M} {note.zone}"


def _words(key: object) -> str:
    """Return a key of a document as words."""
    return str(key).replace("_", " ")


def _number(value: object) -> str:
    """Return a plain value of a document as text: numbers to six figures."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    return "" if value is None else str(value)


def _inline(value: object) -> str:
    """Return a value of a document, nested ones too, in one line."""
    if isinstance(value, Mapping):
        return ", ".join(f"{_words(key)} {_inline(item)}" for key, item in value.items())
    if isinstance(value, list | tuple):
        return "; ".join(_inline(item) for item in value)
    return _number(value)


def _depth(value: object) -> int:
    """Return how deep a value is nested: 0 for a plain one."""
    if isinstance(value, Mapping):
        value = list(value.values())
    if isinstance(value, list | tuple):
        return 1 + max((_depth(item) for item in value), default=0)
    return 0


def _plain_items(document: Mapping[str, Any]) -> list[tuple[str, Any]]:
    """Return what of a document fits on a line each, by key."""
    return [(key, item) for key, item in sorted(document.items()) if _fits(item)]


def _further_items(document: Mapping[str, Any]) -> list[tuple[str, Any]]:
    return [(key, item) for key, item in sorted(document.items()) if not _fits(item)]


def _fits(value: object) -> bool:
    return _depth(value) < 2 and len(_inline(value)) <= _LONGEST_LINE


def _is_rows(value: object) -> bool:
    """Whether a value is a list of records, to be shown as a table."""
    if not isinstance(value, list) or not value:
        return False
    if not all(isinstance(row, dict) for row in value):
        return False
    shallow = all(_depth(cell) <= _DEEPEST_CELL for row in value for cell in row.values())
    return shallow and len(_columns(value)) <= _MOST_COLUMNS


def _columns(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return the keys of some records in the order met."""
    return list(dict.fromkeys(key for row in rows for key in row))


_LONGEST_LINE = 400
_DEEPEST_CELL = 2
_MOST_COLUMNS = 16
