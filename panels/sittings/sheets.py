"""The papers of a sitting: what to mix, what to write on glasses, what stands where, what to mark.

Four kinds, for four pairs of hands. *Preparation* names lots and no codes. *Coding* joins both
and is for the coder alone. *Trays* and *score sheets* know codes and no lots; they are all that
servers and assessors see. Each is data first, then HTML for print; the command line shows the
same data as tables.
"""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from bulkflow.errors import Fault, InputError
from bulkflow.paper import stylesheet
from panels.preparation import cautions
from panels.preparation.dilution import (
    COVER,
    GLASS,
    Dilution,
    NosingWindow,
    prepare_dilution,
)
from panels.records import ConfirmationPlan, Glass, Place, Sitting
from panels.sittings.keys import SittingKey
from panels.sittings.scores import SHEET_COLUMNS, SheetRules, at, clock_time

__all__ = [
    "CodedSubject",
    "Tray",
    "answers_html",
    "as_sitting",
    "blank_answers",
    "blank_preparation",
    "blank_table",
    "cells_of",
    "coding_html",
    "coding_of",
    "nosing_times",
    "preparation_html",
    "preparation_of",
    "score_html",
    "score_table",
    "tray_html",
    "trays_of",
]


@dataclass(frozen=True, slots=True)
class Tray:
    """Glasses of one assessor in one flight, in serving order, and what each is judged as."""

    assessor: str
    flight: int
    codes: tuple[str, ...]
    liquids: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CodedSubject:
    """Glasses to fill with one lot or standard for one flight: codes by assessor."""

    flight: int
    subject: str
    codes: tuple[tuple[str, str], ...]


def preparation_of(sitting: Sitting) -> tuple[Dilution, ...]:
    """Return what to weigh or measure of each lot and standard."""
    poured = [(lot.lot, lot.strength, lot.glasses) for lot in sitting.lots]
    poured += [(s.standard, s.strength, s.glasses) for s in sitting.standards]
    poured += [(c.sample, c.strength, c.glasses) for c in sitting.checks]
    return tuple(
        prepare_dilution(
            subject,
            strength,
            servings=glasses,
            spare=sitting.spare_servings,
            pour_ml=sitting.pour_ml,
            target_strength=sitting.target_strength,
        )
        for subject, strength, glasses in poured
    )


def trays_of(sitting: Sitting) -> tuple[Tray, ...]:
    """Return trays by flight, then assessor."""
    places: dict[tuple[int, str], list[Place]] = defaultdict(list)
    for place in sitting.places:
        places[(place.flight, place.assessor)].append(place)
    trays = []
    for (flight, assessor), own in sorted(places.items(), key=lambda i: _by_flight(*i[0])):
        own.sort(key=lambda place: place.position)
        codes, liquids = tuple(p.code for p in own), tuple(p.liquid for p in own)
        trays.append(Tray(assessor, flight, codes, liquids))
    return tuple(trays)


def _by_flight(flight: int, assessor: str) -> tuple[int, int, str]:
    digits = "".join(c for c in assessor if c.isdecimal())
    return flight, int(digits) if digits else 0, assessor


def coding_of(key: SittingKey) -> tuple[CodedSubject, ...]:
    """Return the codes to write on glasses, by flight and what goes into them."""
    codes: dict[tuple[int, str], list[tuple[str, str]]] = defaultdict(list)
    for line in key.lines:
        codes[(line.flight, line.subject)].append((line.assessor, line.code))
    return tuple(
        CodedSubject(flight, subject, tuple(sorted(own, key=lambda c: (_by_flight(0, c[0]), c[1]))))
        for (flight, subject), own in sorted(codes.items())
    )


def preparation_html(sitting: Sitting) -> str:
    """Render the dilute-and-rest sheet."""
    return _render(
        "preparation.html",
        sitting,
        dilutions=preparation_of(sitting),
        glass=GLASS,
        cover=COVER,
        cautions=cautions.preparing(sitting.held_on),
    )


def coding_html(sitting: Sitting, key: SittingKey) -> str:
    """Render the coder's sheet, the only paper that joins codes and lots."""
    return _render("coding.html", sitting, subjects=coding_of(key))


def tray_html(sitting: Sitting, poured: Sequence[str] = ()) -> str:
    """Render the servers' sheet.

    Parameters
    ----------
    poured : planned time of pouring of each flight, HH:MM; without it the times are left open.
    """
    flights: dict[int, list[Tray]] = defaultdict(list)
    for tray in trays_of(sitting):
        flights[tray.flight].append(tray)
    times = dict(zip(sorted(flights), nosing_times(sitting, poured), strict=False))
    return _render("trays.html", sitting, flights=dict(flights), times=times, cover=COVER)


def nosing_times(sitting: Sitting, poured: Sequence[str]) -> list[tuple[str, str, str]]:
    """Return time of pouring, earliest and latest time to nose, one a flight.

    Raises
    ------
    InputError : a time that is none, or flights poured out of order.
    """
    if list(poured) != sorted(poured) or not all(clock_time(cell) for cell in poured):
        raise InputError(
            Fault(
                "",
                0,
                "--poured",
                f"is {', '.join(poured)[:60]}",
                "Give a local time as HH:MM for each flight, in order.",
            )
        )
    window = NosingWindow(sitting.earliest_minutes, sitting.latest_minutes)
    rows = []
    for cell in poured:
        earliest, latest = window.times_after(at(sitting.held_on, cell))
        rows.append((cell, f"{earliest:%H:%M}", f"{latest:%H:%M}"))
    return rows


def score_html(sitting: Sitting, rules: SheetRules, assessors: Sequence[str] = ()) -> str:
    """Render score sheets, one a page; of all assessors unless some are named."""
    wanted = assessors or sitting.assessors
    trays = trays_of(sitting)
    sheets = [(name, [tray for tray in trays if tray.assessor == name]) for name in wanted]
    return _render("scores.html", sitting, sheets=sheets, rules=rules, cautions=cautions.ASSESSORS)


def as_sitting(plan: ConfirmationPlan, last: Sitting) -> Sitting:
    """Return a confirmation in the form of a sitting, so that it gets the same papers.

    Parameters
    ----------
    last : the newest sitting of its lot, whose strengths, water, room and times it takes over.
    """
    lots = [lot for lot in last.lots if lot.lot == plan.lot]
    standards = [one for one in last.standards if one.standard == plan.standard]
    return last.model_copy(
        update={
            "sitting": plan.test,
            "held_on": plan.held_on,
            "assessors": plan.assessors,
            "attributes": (),
            "lots": tuple(o.model_copy(update={"glasses": len(plan.sets)}) for o in lots),
            "standards": tuple(
                o.model_copy(update={"glasses": 2 * len(plan.sets)}) for o in standards
            ),
            "checks": (),
            "places": tuple(
                Place(
                    assessor=one.assessor,
                    flight=one.number,
                    position=position,
                    code=code,
                    liquid=lots[0].liquid,
                )
                for one in plan.sets
                for position, code in enumerate(one.codes, start=1)
            ),
            "key_digest": plan.key_digest,
            "balance": (),
        }
    )


def answers_html(plan: ConfirmationPlan, sitting: Sitting) -> str:
    """Render the assessors' sheets of a confirmation, one a page."""
    people = [(name, [s for s in plan.sets if s.assessor == name]) for name in plan.assessors]
    return _render(
        "answers.html", sitting, people=people, note=plan.note, cautions=cautions.ASSESSORS
    )


def blank_answers(plan: ConfirmationPlan) -> str:
    """Return the table of answers to fill in: a row for each set."""
    rows = [f"{one.assessor},{one.number}," for one in plan.sets]
    return "\n".join(["assessor,set,code", *rows, ""])


def blank_preparation(sitting: Sitting) -> str:
    """Return the table of diluted samples to fill in: a row for each sample."""
    return "\n".join(["subject,diluted_strength", *(f"{one}," for one in sitting.samples), ""])


def blank_table(sitting: Sitting) -> str:
    """Return the table of scores to fill in: a row for each glass, in serving order."""
    places = sorted(sitting.places, key=lambda p: (_by_flight(0, p.assessor), p.flight, p.position))
    return score_table(
        sitting, [{"assessor": place.assessor, "code": place.code} for place in places]
    )


def score_table(sitting: Sitting, rows: Sequence[Mapping[str, str]]) -> str:
    """Return a table of scores with these cells, as `panels.sittings.scores` reads it."""
    columns = (*SHEET_COLUMNS[:5], *sitting.attributes, *SHEET_COLUMNS[5:])
    stream = io.StringIO()
    table = csv.DictWriter(stream, columns, restval="", lineterminator="\n")
    table.writeheader()
    table.writerows(rows)
    return stream.getvalue()


def cells_of(assessor: str, glass: Glass) -> dict[str, str]:
    """Return a recorded glass as the cells of its row."""
    return {
        "assessor": assessor,
        "code": glass.code,
        "poured": glass.poured,
        "nosed": glass.nosed or "",
        "score": "" if glass.score is None else f"{glass.score:g}",
        "off_notes": "; ".join(f"{mark.note}:{mark.intensity}" for mark in glass.off_notes),
        "remarks": glass.remarks or "",
        **{name: f"{value:g}" for name, value in glass.attributes.items()},
    }


# What each paper is called above its pages, and those that are wider than tall.
TITLES = {
    "preparation.html": "dilute and rest",
    "coding.html": "coding",
    "trays.html": "trays",
    "scores.html": "score sheets",
    "answers.html": "sets of three",
}
WIDE = {"trays.html", "scores.html"}


def _render(template: str, sitting: Sitting, **values: Any) -> str:
    environment = Environment(
        loader=PackageLoader("panels.sittings"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    style = stylesheet(
        f"Sitting {sitting.sitting}: {TITLES[template]}",
        turned="landscape" if template in WIDE else "portrait",
    )
    return environment.get_template(template).render(sitting=sitting, style=style, **values)
