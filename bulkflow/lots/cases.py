"""Complaints and officers' samples: from a bottle or code to lots, samples, results, decision.

A case is a row of steps on the chain, each with its day; nothing of it is changed later. It opens
with what it is about and what the register knew to lie behind that. Samples pass from hand to
hand with their seal: each hand gives what the one before received. A case can hold the lots that
it concerns; the holds name it, and stand until they are lifted.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.lots.acts import place_holds
from bulkflow.lots.bodies import CaseStep
from bulkflow.lots.queries import lots_named
from bulkflow.lots.tables import CASE
from bulkflow.reading.words import did_you_mean
from bulkflow.records.actors import Power
from bulkflow.records.chain import Record, append, require
from bulkflow.records.schema import RECORD

__all__ = ["Case", "add_step", "case_named", "cases", "open_case", "trend"]


@dataclass(frozen=True, slots=True)
class Case:
    """A case: its steps, oldest first, each with its record and who wrote it."""

    case_id: str
    steps: tuple[CaseStep, ...]
    records: tuple[int, ...]
    actors: tuple[str, ...]

    @property
    def first(self) -> CaseStep:
        """The step that opened it."""
        return self.steps[0]

    @property
    def state(self) -> str:
        """Opened, decided or closed."""
        said = [one.step for one in self.steps if one.step in ("opened", "decided", "closed")]
        return said[-1]

    @property
    def outcome(self) -> str | None:
        """What was decided last."""
        found = [one.outcome for one in self.steps if one.outcome is not None]
        return found[-1] if found else None

    def custody(self) -> dict[str, list[CaseStep]]:
        """Return the hands that each sample went through, in their order."""
        found: dict[str, list[CaseStep]] = defaultdict(list)
        for one in self.steps:
            if one.step == "sample" and one.sample_id is not None:
                found[one.sample_id].append(one)
        return dict(found)


def cases(session: Session) -> list[Case]:
    """Return every case, in order of opening."""
    query = (
        select(RECORD.c.seq, RECORD.c.actor, RECORD.c.version, RECORD.c.body)
        .where(RECORD.c.kind == CASE.name)
        .order_by(RECORD.c.seq)
    )
    by: dict[str, list[tuple[int, str, CaseStep]]] = defaultdict(list)
    for seq, actor, version, body in session.execute(query):
        step = CASE.read(version, body)
        by[step.case_id].append((seq, actor, step))
    return [
        Case(
            name,
            tuple(step for _, _, step in found),
            tuple(seq for seq, _, _ in found),
            tuple(actor for _, actor, _ in found),
        )
        for name, found in by.items()
    ]


def case_named(session: Session, case_id: str) -> Case:
    """Return one case.

    Raises
    ------
    InputError
        If there is none of that name.
    """
    found = {one.case_id: one for one in cases(session)}
    if case_id not in found:
        mend = did_you_mean(case_id, list(found), "List the cases to see their names.")
        raise InputError(Fault("", 0, "case", f"{case_id!r} is not in the register", mend))
    return found[case_id]


def open_case(session: Session, step: CaseStep, *, hold: bool = False) -> list[Record]:
    """Open a case, and hold the lots it concerns where that is asked.

    Raises
    ------
    InputError
        If its name is taken, a lot is unknown, or nothing is there to hold.
    """
    require(session, Power.RECORD, f"open case {step.case_id}")
    faults = []
    if any(one.case_id == step.case_id for one in cases(session)):
        faults.append(Fault("", 0, "case", f"{step.case_id!r} is open already", "Add to it."))
    known = lots_named(session, step.lots)
    faults += [
        Fault("", 0, "lot", f"{name!r} is not in the register", "Correct its name.")
        for name in step.lots
        if name not in known
    ]
    if hold and not step.lots:
        mend = "Name a lot, or open it from a bottle or load whose lots are known."
        faults.append(Fault("", 0, "--hold", "has no lot to hold", mend))
    if step.step != "opened" or step.what is None or step.about is None:
        faults.append(Fault("", 0, "case", "says not what it is about", "Name what and about."))
    if faults:
        raise InputError(faults)
    made = [append(session, CASE, step)]
    if hold:
        made += place_holds(session, step.lots, f"case {step.case_id}: {step.words}")
    return made


def add_step(session: Session, step: CaseStep, *, hold: Sequence[str] = ()) -> list[Record]:
    """Add a step to a case.

    Raises
    ------
    InputError
        If there is no such case, it is closed, the day is before the last step's, a sample is
        handed on by somebody who does not have it, or its seal changed without a word.
    """
    require(session, Power.RECORD, f"add to case {step.case_id}")
    case = case_named(session, step.case_id)
    faults = list(_faults(case, step))
    if faults:
        raise InputError(faults)
    made = [append(session, CASE, step)]
    if hold:
        made += place_holds(session, hold, f"case {step.case_id}: {step.words}")
    return made


def _faults(case: Case, step: CaseStep) -> Iterable[Fault]:
    if case.state == "closed" and step.step != "note":
        yield Fault("", 0, "case", f"{case.case_id} is closed", "Add a note, or open another.")
    last = case.steps[-1].on
    if step.on < last:
        yield Fault("", 0, "on", f"is {step.on}, before the step of {last}", "Give a later day.")
    if step.step == "closed" and case.outcome in (None, "open"):
        yield Fault("", 0, "case", "is not decided", "Decide it first, with an outcome.")
    if step.step != "sample":
        return
    if step.sample_id is None or step.to_hand is None:
        yield Fault("", 0, "sample", "names no sample or no receiver", "Give both.")
        return
    hands = case.custody().get(step.sample_id, [])
    if hands and step.from_hand != hands[-1].to_hand:
        found = f"is {step.from_hand!r}, but {hands[-1].to_hand!r} has {step.sample_id}"
        yield Fault("", 0, "from", found, "Record the hand in between first.")
    if hands and step.seal != hands[-1].seal and "seal" not in step.words.lower():
        found = f"is {step.seal!r}, but it went out with {hands[-1].seal!r}"
        yield Fault("", 0, "seal", found, "Say in words what became of the seal.")


def trend(found: Iterable[Case], *, since: date | None = None) -> list[tuple[str, str, int]]:
    """Return how many cases there are by what and by topic and month, as (month, topic, count)."""
    counted = Counter(
        (f"{one.first.on:%Y-%m}", one.first.topic or one.first.what or "")
        for one in found
        if since is None or one.first.on >= since
    )
    return [(month, topic, count) for (month, topic), count in sorted(counted.items())]
