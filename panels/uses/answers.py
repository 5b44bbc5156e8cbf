"""Tables of forced-choice answers: one row an answer, checked against the declaration.

Columns: the group the answer belongs to (a delivery, a load, a lot), ``date``, ``assessor``,
``correct`` (1 or 0), and where wanted ``order``, the serving order. All faults are told at once.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from bulkflow.reading.rows import Row, read_sheet
from bulkflow.reading.words import shown
from panels.methods.protocols import ForcedChoice, presentation_orders

__all__ = ["Answer", "Answers", "day_after", "read_answers"]


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer, in the order given."""

    group: str
    assessor: str
    on: date
    correct: bool
    order: str | None


@dataclass(frozen=True, slots=True)
class Answers:
    """Answers by group, in the order of the file, with the file's digest and remarks on it."""

    sha256: str
    by_group: Mapping[str, tuple[Answer, ...]]
    remarks: tuple[str, ...]

    @property
    def first_day(self) -> date:
        """Day of the first answer."""
        return min(answer.on for own in self.by_group.values() for answer in own)


def read_answers(
    path: Path, *, group: str, test: ForcedChoice, declared: date, repeats: bool = False
) -> Answers:
    """Return the answers of a file.

    Parameters
    ----------
    group : column that names the group: ``delivery``, ``load``, ``lot``.
    test : the test, for the serving orders.
    declared : day of the declaration; younger answers only.
    repeats : whether an assessor may answer more than once in a group.

    Raises
    ------
    InputError
        With every fault: unknown columns, no answers, an assessor twice in a group, an answer that
        is neither 1 nor 0, an order that the test does not have, a day not after the declaration.
    """
    columns = (group, "date", "assessor", "correct")
    sheet = read_sheet(path, "answers", needed=columns, known=(*columns, "order"))
    orders = {"".join(order): order for order in presentation_orders(test)}
    answers = []
    seen: dict[tuple[str, str], int] = {}
    for row in sheet.rows:
        answer = _answer(row, group, declared, orders, test)
        if answer is not None:
            before = seen.setdefault((answer.group, answer.assessor), row.line)
            if before != row.line and not repeats:
                row.fault(
                    "assessor",
                    f"is {answer.assessor!r}, who answered for {answer.group} in line {before}",
                    "Each assessor answers once: repeats do not add people.",
                )
            answers.append(answer)
    sheet.raise_faults()
    by_group: dict[str, list[Answer]] = {}
    for answer in answers:
        by_group.setdefault(answer.group, []).append(answer)
    return Answers(
        sha256=sheet.sha256,
        by_group={name: tuple(own) for name, own in by_group.items()},
        remarks=tuple(
            remark for name, own in by_group.items() for remark in _uneven(name, own, orders)
        ),
    )


def day_after(row: Row, declared: date) -> date | None:
    """Return a row's day; one that is not after the declaration is a fault."""
    on = row.day("date", needed=True)
    if on is not None and on <= declared:
        row.fault(
            "date",
            f"is {on.isoformat()}, not after the declaration of {declared.isoformat()}",
            "A rule judges younger answers only.",
        )
        return None
    return on


def _answer(
    row: Row,
    group: str,
    declared: date,
    orders: Mapping[str, Sequence[str]],
    test: ForcedChoice,
) -> Answer | None:
    name, assessor = row.needed(group), row.needed("assessor")
    on, correct = day_after(row, declared), row.choice("correct", ("1", "0"))
    order = row.text("order")
    if order is not None and order not in orders:
        row.fault(
            "order", f"is {shown(order)}", f"The {test.value} test has {', '.join(sorted(orders))}."
        )
    if row.faults or name is None or assessor is None or on is None or correct is None:
        return None
    return Answer(name, assessor, on, correct == "1", order)


def _uneven(
    group: str, answers: Sequence[Answer], orders: Mapping[str, Sequence[str]]
) -> list[str]:
    """Remark on orders that were not served equally often: position may then help a guess.

    A few answers, or a test that stopped early, cannot have used them equally.
    """
    counts = Counter(answer.order for answer in answers if answer.order is not None)
    if counts.total() < 4 * len(orders):
        return []
    served = [counts.get(order, 0) for order in orders]
    if max(served) - min(served) <= 1:
        return []
    return [
        f"{group}: serving orders were not used equally often, but {min(served)} to {max(served)}"
        " times."
    ]
