"""From a definition to a planned sitting: checks against the register, orders, codes, key.

A sitting stands on rules that were declared before it, on standards still in use, and on lots
that the register knows at the strength it knows them. Everything wrong is told at once, and
nothing is written until all is right.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError, OutOfRangeError
from bulkflow.lots.acts import expect_decision
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.queries import LotLine, lots_named
from bulkflow.reading.shape import field_path
from bulkflow.reading.yamlfile import YamlDocument
from bulkflow.records import Power, Record, append, require
from bulkflow.records.times import check_zone
from panels.assessors.register import fitness_on, panel_rule_on
from panels.errors import MethodError, PanelsError
from panels.preparation.dilution import measured_strength, prepare_dilution
from panels.records import (
    SITTING,
    STANDARD,
    CheckSample,
    JudgedLot,
    Place,
    PouredStandard,
    RuleUsed,
    Sitting,
    Standard,
    Unqualified,
    bodies_about,
    latest_bodies,
)
from panels.release.judging import NextStep
from panels.release.register import DeclaredRule, declared_rules, rule_in_force
from panels.serving import Purpose, Sample, balance_of, plan_servings
from panels.sittings.course import Courses, LotCourse
from panels.sittings.deciding import undecided_sittings
from panels.sittings.definition import METHOD, DefinedLot, SittingDefinition, served_as
from panels.sittings.history import list_sittings
from panels.sittings.keys import SittingKey, write_key
from panels.sittings.scores import sheet_rules

__all__ = ["STRENGTH_TOLERANCE_PERCENT", "PlannedSitting", "plan_sitting", "register_sitting"]

STRENGTH_TOLERANCE_PERCENT = 0.5
"""Largest difference between a lot's strength in the definition and in the register
[% vol]; beyond it one of them belongs to another liquid."""


@dataclass(frozen=True, slots=True)
class PlannedSitting:
    """A sitting ready to be registered, and its key."""

    sitting: Sitting
    key: SittingKey


@dataclass
class _Known:
    """What the register knows of things a definition names."""

    lots: Mapping[str, LotLine]
    rules: dict[str, DeclaredRule] = field(default_factory=dict)
    standards: dict[str, Standard] = field(default_factory=dict)
    unqualified: tuple[Unqualified, ...] = ()
    qualified_by: str | None = None


def plan_sitting(
    session: Session,
    definition: SittingDefinition,
    *,
    seed: int | None = None,
    key: SittingKey | None = None,
    file: YamlDocument | None = None,
) -> PlannedSitting:
    """Check a definition against the register and lay out its trays.

    Parameters
    ----------
    session : reads the register.
    definition : what the leader wrote.
    seed : of orders and codes; see `panels.sittings.keys.draw_seed`.
    key : instead of a seed, the key of a sitting that was laid out before.
    file : where the definition came from, to place faults.

    Raises
    ------
    InputError : with every fault.
    """
    if (seed is None) == (key is None):
        raise ValueError("give either a seed or a key")
    known = _Known(lots_named(session, [lot.lot for lot in definition.lots]))
    faults = [*_checked_once(session, definition)]
    faults += _checked_rules(session, definition, known)
    faults += _checked_lots(definition, known)
    faults += _checked_assessors(session, definition, known)
    if not faults:
        faults += _checked_history(session, definition, known)
    if faults:
        raise InputError(_placed(faults, file))
    samples = _samples(definition, known)
    if key is None:
        key = _laid_out(definition, samples, seed or 0, file)
    faults = [*_checked_key(definition, samples, key), *_checked_counts(definition, known, key)]
    if faults:
        raise InputError(_placed(faults, file))
    return PlannedSitting(_sitting(definition, known, key), key)


def _laid_out(
    definition: SittingDefinition, samples: Sequence[Sample], seed: int, file: YamlDocument | None
) -> SittingKey:
    try:
        plan = plan_servings(
            samples, definition.assessors, seed=seed, max_servings=definition.max_servings
        )
    except (PanelsError, MethodError) as error:
        raise InputError(_placed([_whole(str(error))], file)) from error
    return SittingKey.of(definition.sitting, plan)


def register_sitting(session: Session, planned: PlannedSitting, *, key_file: Path | None) -> Record:
    """Write the sitting into the register, and its key apart.

    Lots that wait for it get its day as the date by which their decision is expected.

    Parameters
    ----------
    key_file : where to write the key; None where it lies there already, or on a trial.

    Raises
    ------
    RefusedError : the acting person may not record sittings.
    InputError : there is a key already.
    """
    require(session, Power.RECORD, f"plan the sitting {planned.sitting.sitting}")
    sitting = planned.sitting
    record = append(session, SITTING, sitting, zone=sitting.zone)
    for lot, line in lots_named(session, [lot.lot for lot in sitting.lots]).items():
        if line.status in (LotStatus.AWAITING, LotStatus.HELD):
            expect_decision(session, lot, sitting.held_on, f"panel sitting {sitting.sitting}")
    if key_file is not None:
        write_key(key_file, planned.key)
    return record


Found = tuple[tuple[str | int, ...], str, str]
"""Place in the definition, what was found, what would be right."""


def _whole(text: str) -> Found:
    return ((), text.rstrip("."), "")


def _placed(found: Sequence[Found], file: YamlDocument | None) -> list[Fault]:
    name = file.name if file is not None else ""
    return [
        Fault(
            name,
            file.line_of(field_path(place)) if file is not None else 0,
            field_path(place),
            what,
            mend,
        )
        for place, what, mend in found
    ]


def _checked_once(session: Session, definition: SittingDefinition) -> Iterator[Found]:
    if bodies_about(session, SITTING, definition.sitting):
        yield (
            ("sitting",),
            f"is {definition.sitting}, which is planned already",
            ("Give the sitting another name; a planned one is not changed."),
        )
    try:
        check_zone(definition.zone)
    except ValueError:
        yield ("zone",), f"is {definition.zone!r}", "Give an IANA name such as Europe/Riga."


def _checked_rules(
    session: Session, definition: SittingDefinition, known: _Known
) -> Iterator[Found]:
    """Find rule and standard of every liquid."""
    standards = {name: body for name, (_, body) in latest_bodies(session, STANDARD).items()}
    for number, lot in enumerate(definition.lots):
        if lot.liquid in known.rules:
            continue
        place = ("lots", number, "liquid")
        declared = rule_in_force(session, lot.liquid, definition.held_on)
        if declared is None:
            yield (
                place,
                f"is {lot.liquid}, which has no release rule by {definition.held_on}",
                ("Declare the rule before the sitting."),
            )
            continue
        newest = declared_rules(session, lot.liquid)[-1]
        if newest.record != declared.record:
            yield (
                place,
                f"is {lot.liquid}, whose {declared.rule.name} of {definition.held_on} is followed"
                f" by {newest.rule.name}",
                "A decision stands on the rule in force: hold a sitting under it.",
            )
            continue
        known.rules[lot.liquid] = declared
        standard = standards.get(declared.rule.standard)
        if standard is None or standard.liquid != lot.liquid:
            yield (
                place,
                f"is {lot.liquid}, whose standard {declared.rule.standard} is not known",
                ("Record the standard, or declare a rule with another one."),
            )
        elif not standard.filled_on <= definition.held_on <= standard.use_by:
            yield (
                place,
                (
                    f"is {lot.liquid}, whose standard {standard.standard} may be served from"
                    f" {standard.filled_on} to {standard.use_by}"
                ),
                "Bridge it to a successor first.",
            )
        else:
            known.standards[lot.liquid] = standard


def _checked_lots(definition: SittingDefinition, known: _Known) -> Iterator[Found]:
    for number, lot in enumerate(definition.lots):
        place = ("lots", number)
        line = known.lots.get(lot.lot)
        if line is None:
            yield (
                (*place, "lot"),
                f"is {lot.lot}, which the register does not know",
                ("Record the lot first, or correct its name."),
            )
            continue
        if line.liquid_id != lot.liquid:
            yield (
                (*place, "liquid"),
                f"is {lot.liquid}, but {lot.lot} is {line.liquid_id}",
                ("Correct the liquid."),
            )
        yield from _checked_strength(place, lot, float(line.strength_percent), definition)


def _checked_assessors(
    session: Session, definition: SittingDefinition, known: _Known
) -> Iterator[Found]:
    """Hold the panel against its declared rule, if there is one; exceptions are kept."""
    rule = panel_rule_on(session, definition.held_on)
    if rule is None:
        return
    known.qualified_by = rule.name
    reasons = {one.assessor: one.reason for one in definition.exceptions}
    standing = fitness_on(session, definition.held_on, definition.assessors)
    excepted = []
    for number, name in enumerate(definition.assessors):
        lacks = "; ".join(standing[name].lacks)
        if lacks and name in reasons:
            excepted.append(Unqualified(assessor=name, lacks=lacks, reason=reasons[name]))
        elif lacks:
            yield (
                ("assessors", number),
                f"is {name}, who is not qualified on {definition.held_on}: {lacks}",
                "Qualify them (panels assessor), leave them out, or give an exception with its"
                " reason.",
            )
    known.unqualified = tuple(excepted)


def _checked_history(
    session: Session, definition: SittingDefinition, known: _Known
) -> Iterator[Found]:
    """Let a lot stand in one sitting at a time, and be nosed only where its rule says so."""
    try:
        sheet_rules([declared.rule for declared in known.rules.values()])
    except InputError as error:
        yield ("lots",), error.faults[0].found, error.faults[0].mend
    running = {
        lot.lot: held.sitting.sitting
        for held in list_sittings(session)
        if held.running
        for lot in held.sitting.lots
    }
    courses = Courses(session)
    for number, lot in enumerate(definition.lots):
        place = ("lots", number, "lot")
        if lot.lot in running:
            yield (
                place,
                f"is {lot.lot}, which sits in {running[lot.lot]} already",
                ("Close or cancel that sitting first."),
            )
            continue
        undecided = undecided_sittings(session, lot.lot)
        if undecided:
            yield (
                place,
                f"is {lot.lot}, which sat in {undecided[0]}",
                "Decide that sitting first: panels sitting decide.",
            )
            continue
        found = _barred(courses.find(lot.lot), definition.held_on)
        if found is not None:
            yield place, f"is {lot.lot}, {found[0]}", found[1]


def _barred(course: LotCourse | None, day: date) -> tuple[str, str] | None:
    """Why a lot may not be nosed now, and what would be right; None where it may."""
    if course is None:
        return None
    standing, rule = course.standing, course.declared.rule
    if standing.reopened or standing.next_step is NextStep.RETEST:
        sat = any(one.held.sitting.held_on == day and not one.void for one in course.analyses)
        return (f"which sat on {day} already", "Nose it on another day.") if sat else None
    if standing.next_step is NextStep.NONE:
        return (
            f"which the panel has decided to {standing.verdict.value}",
            "Say why it is nosed again first: panels sitting reopen.",
        )
    if standing.next_step is NextStep.CONFIRM_OFF_NOTE:
        return "which an off-note stops", "Confirm the off-note, or lay it to rest, first."
    voids = sum(one.void for one in course.analyses)
    retests = "1 retest" if rule.retests == 1 else f"{rule.retests} retests"
    times = f"{standing.look} sittings have judged"
    if voids > rule.validity.most_void:
        times = f"{voids} void sittings have served"
    return f"which {times}", f"{rule.name} allows {retests}: a person with the role decides."


def _checked_strength(
    place: tuple[str | int, ...], lot: DefinedLot, registered: float, definition: SittingDefinition
) -> Iterator[Found]:
    try:
        strength = _strength(lot)
        prepare_dilution(lot.lot, strength, servings=1, target_strength=definition.target_strength)
    except (PanelsError, MethodError, OutOfRangeError) as error:
        yield (*place, "strength"), str(error).rstrip("."), ""
        return
    if abs(strength - registered) > STRENGTH_TOLERANCE_PERCENT:
        yield (
            (*place, "strength"),
            (f"is {strength:.2f} % vol, but the register has {lot.lot} at {registered:.2f} % vol"),
            f"They may differ by {STRENGTH_TOLERANCE_PERCENT:g} at most: measure again.",
        )


def _strength(lot: DefinedLot) -> float:
    if lot.strength is not None:
        return lot.strength
    if lot.density_kg_m3 is None or lot.temperature_c is None:
        raise ValueError("a lot was defined without strength or density")
    return round(measured_strength(lot.density_kg_m3, lot.temperature_c), 2)


def _samples(definition: SittingDefinition, known: _Known) -> list[Sample]:
    flight_of = {lot.lot: 2 if lot.suspected else 1 for lot in definition.lots}
    samples = [Sample(lot, Purpose.LOT, flight) for lot, flight in flight_of.items()]
    served = {(flight_of[lot.lot], lot.liquid) for lot in definition.lots}
    for flight, liquid in sorted(served):
        standard = known.standards[liquid].standard
        samples += [
            Sample(standard, Purpose.CONTROL, flight, copy)
            for copy in range(1, definition.control_glasses + 1)
        ]
    flights = {lot.liquid: flight_of[lot.lot] for lot in reversed(definition.lots)}
    samples += [
        Sample(poor.sample, Purpose(poor.kind), flights[poor.liquid]) for poor in definition.checks
    ]
    copies: Counter[tuple[str, int]] = Counter()
    for repeat in definition.repeats:
        copies[(repeat.lot, repeat.flight)] += 1
        count = copies[(repeat.lot, repeat.flight)]
        samples.append(Sample(repeat.lot, Purpose.REPEAT, repeat.flight, count))
    return samples


def _checked_key(
    definition: SittingDefinition, samples: Sequence[Sample], key: SittingKey
) -> Iterator[Found]:
    """Hold a key that was given against the definition."""
    if key.sitting != definition.sitting:
        yield (
            ("sitting",),
            f"is {definition.sitting}, but the key is of {key.sitting}",
            ("Give the key of this sitting."),
        )
    wanted = {(sample.flight, sample.subject, sample.purpose) for sample in samples}
    found = {(line.flight, line.subject, line.purpose) for line in key.lines}
    if wanted != found or {line.assessor for line in key.lines} != set(definition.assessors):
        yield (
            (),
            "does not fit its key: other assessors, lots, repeats or flights",
            ("Restore the definition as it was when the key was drawn."),
        )
    codes = Counter((line.assessor, line.code) for line in key.lines)
    if max(codes.values()) > 1:
        yield (), "has a key that gives an assessor one code twice", "Draw a new key."


def _checked_counts(
    definition: SittingDefinition, known: _Known, key: SittingKey
) -> Iterator[Found]:
    """Every lot must reach enough assessors, and a suspected one must not stand alone."""
    reached = {(line.assessor, line.subject) for line in key.lines if line.purpose is Purpose.LOT}
    noses = Counter(subject for _, subject in reached)
    for number, lot in enumerate(definition.lots):
        fewest = known.rules[lot.liquid].rule.validity.fewest_assessors
        if noses[lot.lot] < fewest:
            yield (
                ("lots", number, "lot"),
                (f"is {lot.lot}, which only {noses[lot.lot]} assessors would nose"),
                f"The rule needs {fewest}: add assessors, or move lots to another sitting.",
            )
    clean = {lot.lot for lot in definition.lots if not lot.suspected}
    repeated = {repeat.lot for repeat in definition.repeats if repeat.flight == 2}
    if any(lot.suspected for lot in definition.lots) and not repeated & clean:
        yield (
            ("repeats",),
            "gives the flight of suspected lots no glass of a clean lot",
            ("Repeat a clean lot in flight 2, so that the flight tells nothing."),
        )


def _sitting(definition: SittingDefinition, known: _Known, key: SittingKey) -> Sitting:
    liquids = sorted(known.rules)
    glasses = Counter(line.subject for line in key.lines)
    liquid_of = {lot.lot: lot.liquid for lot in definition.lots}
    liquid_of |= {body.standard: liquid for liquid, body in known.standards.items()}
    liquid_of |= {poor.sample: poor.liquid for poor in definition.checks}
    return Sitting(
        sitting=definition.sitting,
        held_on=definition.held_on,
        **served_as(definition),
        method=METHOD,
        water=definition.water,
        lots=tuple(
            JudgedLot(
                lot=lot.lot,
                liquid=lot.liquid,
                strength=_strength(lot),
                strength_by="stated" if lot.strength is not None else "density",
                suspected=lot.suspected,
                glasses=glasses[lot.lot],
            )
            for lot in definition.lots
        ),
        standards=tuple(
            PouredStandard(
                standard=known.standards[liquid].standard,
                liquid=liquid,
                strength=known.standards[liquid].strength,
                glasses=glasses[known.standards[liquid].standard],
            )
            for liquid in liquids
        ),
        checks=tuple(
            CheckSample.model_validate({**poor.model_dump(), "glasses": glasses[poor.sample]})
            for poor in definition.checks
        ),
        places=tuple(
            Place(
                assessor=line.assessor,
                flight=line.flight,
                position=line.position,
                code=line.code,
                liquid=liquid_of[line.subject],
            )
            for line in key.lines
        ),
        rules=tuple(
            RuleUsed(
                liquid=liquid,
                version=known.rules[liquid].rule.version,
                fingerprint=known.rules[liquid].rule.fingerprint,
                record=known.rules[liquid].record,
            )
            for liquid in liquids
        ),
        key_digest=key.digest,
        balance=tuple(_balance_words(key)),
        unqualified=known.unqualified,
        qualified_by=known.qualified_by,
    )


def _balance_words(key: SittingKey) -> Iterator[str]:
    flights: dict[int, dict[str, list[tuple[str, Purpose]]]] = {}
    for line in key.lines:  # sorted by position
        trays = flights.setdefault(line.flight, {})
        trays.setdefault(line.assessor, []).append((line.subject, line.purpose))
    for flight, trays in sorted(flights.items()):
        orders = list(trays.values())
        found = balance_of(orders)
        contents = {frozenset(order) for order in orders}
        blocks = "" if len(contents) == 1 else ", in incomplete blocks"
        yield (
            f"flight {flight}: {len(orders[0])} glasses{blocks}; each sample"
            f" {_times(found.position_least, found.position_most)} in each position, after"
            f" each other one {_times(found.neighbours_least, found.neighbours_most)}"
        )


def _times(least: int, most: int) -> str:
    if least == most:
        return "once" if least == 1 else f"{least} times"
    return f"{least} to {most} times"
