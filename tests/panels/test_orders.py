"""The same acts in any order, through the real commands and database, give the same status.

Acts are tried in an order drawn at random; one that is refused (its sitting is not planned yet,
say) must leave nothing behind and is tried again later, as a person would. An order in which an
act stays refused is another history, and is set apart.
"""

from __future__ import annotations

import random
import shutil
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from bulkflow.lots.acts import record_lots
from bulkflow.lots.queries import find_lot
from bulkflow.lots.register import open_register
from bulkflow.records import Actor, settings_for
from panels.records import PANELS
from panels.sittings.course import Courses
from tests.panels.conftest import Panels, record_count, register
from tests.panels.filled_sheets import Rows, filled, made_lot, subjects_of, written
from tests.panels.test_histories import DEFINITION, PEOPLE

ONE, TWO = "VK-DRY-2797", "VK-DRY-2798"
STANDARD = "VK-DRY-S4"


@dataclass(frozen=True)
class Held:
    """A sitting as it was held: what each lot was like, and who named what."""

    name: str
    day: str
    lots: tuple[str, ...]
    quality: dict[str, float]
    notes: dict[str, list[str]] = field(default_factory=dict)
    slip: bool = False


@dataclass(frozen=True)
class Trial:
    """A confirmation of a lot's off-note, and how many of its 30 sets picked the lot."""

    name: str
    day: str
    lot: str
    right: int


Event = Held | Trial
Act = tuple[str, Event]


def acts_of(event: Event) -> list[Act]:
    if isinstance(event, Trial):
        return [("test", event), ("answers", event)]
    slips = ["slip"] if event.slip else []
    return [(act, event) for act in ("plan", "half", "rest", *slips, "close", "decide")]


class Told:
    """A register in which acts are done, in the order they come or a later one."""

    def __init__(self, folder: Path, panels: Panels, scratch: Path) -> None:
        self.folder, self.panels, self.scratch = folder, panels, scratch
        scratch.mkdir()

    def tell(self, acts: list[Act]) -> bool:
        """Do all acts, refused ones later; return whether each was done in the end."""
        waiting = list(acts)
        while waiting:
            left = [act for act in waiting if not self.done(act)]
            if len(left) == len(waiting):
                return False
            waiting = left
        return True

    def done(self, act: Act) -> bool:
        before = record_count(self.folder)
        kind, event = act
        try:
            ran = self.panels(*getattr(self, f"_{kind}")(event))
        except LookupError:  # not planned yet, so there is nothing to fill in
            return False
        if ran.code:
            assert ran.code == 2 and "Traceback" not in ran.err, ran.err
            assert record_count(self.folder) == before
            # taken into account by a decision that came after it
            return kind == "decide" and "decided already" in ran.err
        return True

    def _plan(self, event: Held) -> tuple[object, ...]:
        text = DEFINITION.split("lots:")[0].format(name=event.name, day=event.day)
        rows = [f"  - {{lot: {lot}, liquid: VK-DRY, strength: 80.0}}" for lot in event.lots]
        file = self.scratch / f"{event.name}.yaml"
        file.write_text("\n".join([f"{text}lots:", *rows, ""]), encoding="utf-8")
        return "sitting", "plan", self.folder, file, "--seed", int(event.name[1:])

    def _rows(self, event: Held) -> Rows:
        self._planned(event.name)
        return filled(self.folder, event.name, event.quality, notes=event.notes)

    def _planned(self, name: str) -> None:
        if not (self.folder / "panel" / "keys" / f"{name}.json").exists():
            raise LookupError(name)

    def _some(self, event: Held, people: list[str], name: str) -> tuple[object, ...]:
        rows = [row for row in self._rows(event) if row["assessor"] in people]
        if event.slip:
            for row in rows:
                if row["assessor"] == "A1":
                    row["remarks"] = "flat"
        return "sitting", "record", self.folder, event.name, written(self.scratch / name, rows)

    def _half(self, event: Held) -> tuple[object, ...]:
        return self._some(event, PEOPLE[:5], "half.csv")

    def _rest(self, event: Held) -> tuple[object, ...]:
        return self._some(event, PEOPLE[5:], "rest.csv")

    def _slip(self, event: Held) -> tuple[object, ...]:
        row = next(row for row in self._rows(event) if row["assessor"] == "A1")
        words = (event.name, "A1", row["code"], "score", "6.5", "--reason", "keyed by mistake")
        return "sitting", "amend", self.folder, *words

    def _close(self, event: Held) -> tuple[object, ...]:
        self._planned(event.name)
        with register(self.folder) as session:
            from panels.sittings.history import find_sitting

            if find_sitting(session, event.name).outstanding:
                raise LookupError(event.name)  # a leader waits for the sheets
        return "sitting", "close", self.folder, event.name

    def _decide(self, event: Held) -> tuple[object, ...]:
        return "sitting", "decide", self.folder, event.name

    def _test(self, event: Trial) -> tuple[object, ...]:
        words = (event.name, event.lot, "sulphury", "--on", event.day, "--sets", 3)
        return "confirm", "plan", self.folder, *words, "--seed", int(event.name[1:])

    def _answers(self, event: Trial) -> tuple[object, ...]:
        from panels.sittings.confirming import find_confirmation

        self._planned(event.name)
        inside = subjects_of(self.folder, event.name)
        with register(self.folder) as session:
            sets = find_confirmation(session, event.name).sets
        rows = [
            {
                "assessor": one.assessor,
                "set": str(one.number),
                "code": next(
                    code
                    for code in one.codes
                    if (inside[(one.assessor, code)] == event.lot) == (number < event.right)
                ),
            }
            for number, one in enumerate(sets)
        ]
        return "confirm", "record", self.folder, event.name, written(self.scratch / "t.csv", rows)

    def standing(self) -> dict[str, object]:
        """Where both lots stand: by the procedure, and at the gate."""
        with register(self.folder) as session:
            courses = Courses(session)
            found = {lot: courses.find(lot) for lot in (ONE, TWO)}
            return {
                lot: (
                    find_lot(session, lot).status.value,
                    None if one is None else one.standing,
                )
                for lot, one in found.items()
            }

    def released(self) -> set[str]:
        return {lot for lot, (status, _) in self.standing().items() if status == "released"}


@pytest.fixture
def begun(decided: Path) -> Path:
    """The demo with two lots more, nothing scored of them."""
    with (
        open_register(settings_for(decided, environ={}), PANELS) as store,
        store.write(Actor.current("Clerk")) as session,
    ):
        record_lots(session, [made_lot(ONE), made_lot(TWO)])
    return decided


def told(begun: Path, panels: Panels, scratch: Path, acts: list[Act]) -> Told | None:
    """Return what came of acts in this order; None where one of them stayed refused."""
    folder = scratch / "told"
    shutil.rmtree(scratch, ignore_errors=True)
    shutil.copytree(begun, folder)
    story = Told(folder, panels, scratch / "tables")
    return story if story.tell(acts) else None


def drawn(seed: int) -> list[Event]:
    """Return a history: sittings of one lot or both, good and bad, void ones, slips, a test."""
    rng = random.Random(seed)
    events: list[Event] = []
    for number in range(rng.choice([2, 3])):
        lots = rng.choice([(ONE,), (ONE, TWO), (ONE, TWO)])
        quality = {lot: rng.choice([7.5, 6.3, 6.3, 3.0]) for lot in lots}
        if rng.random() < 0.25:
            quality[STANDARD] = 4.0  # a control like that voids the sitting
        notes = {lot: rng.sample(PEOPLE, 5) for lot in lots if rng.random() < 0.3}
        name, slip = f"R{seed * 100 + number}", rng.random() < 0.5
        events.append(Held(name, f"2027-01-{5 + 2 * number:02d}", lots, quality, notes, slip))
        events += [
            Trial(f"C{seed * 100 + 10 + number}", "2027-01-20", lot, rng.choice([3, 10, 28]))
            for lot in notes
            if rng.random() < 0.6
        ]
    return events


def shuffled(events: list[Event], seed: int) -> list[Act]:
    acts = [act for event in events for act in acts_of(event)]
    random.Random(seed).shuffle(acts)
    return acts


def in_order(events: list[Event]) -> list[Act]:
    return [act for event in events for act in acts_of(event)]


FAIR = {ONE: 6.4, TWO: 6.4}
"""Quality on which one sitting releases nothing and rejects nothing, so that another may follow."""
HISTORIES: dict[str, list[Event]] = {
    "two sittings of two lots, the older entered late": [
        Held("R7", "2027-01-05", (ONE, TWO), FAIR, {TWO: PEOPLE[:2]}, slip=True),
        Held("R8", "2027-01-07", (ONE, TWO), FAIR),
    ],
    "a void sitting, and one that counts": [
        Held("R7", "2027-01-05", (ONE,), {**FAIR, STANDARD: 4.0}),
        Held("R8", "2027-01-07", (ONE,), FAIR, slip=True),
        Held("R9", "2027-01-08", (TWO,), {TWO: 7.5}),
    ],
    "an off-note confirmed, and another lot rejected": [
        Held("R7", "2027-01-05", (ONE,), {ONE: 7.5}, {ONE: PEOPLE[:5]}),
        Trial("C8", "2027-01-12", ONE, 28),
        Held("R9", "2027-01-07", (TWO,), {TWO: 3.0}, slip=True),
    ],
}


@pytest.mark.full
@pytest.mark.parametrize("name", HISTORIES)
def test_any_order_of_the_same_acts_gives_the_same_status(
    begun: Path, panels: Panels, tmp_path: Path, name: str
) -> None:
    events = HISTORIES[name]
    straight = told(begun, panels, tmp_path / "a", in_order(events))
    assert straight is not None
    # the last one first, or anyhow
    other = in_order(events[::-1]) if "late" in name else shuffled(events, 3)
    mixed = told(begun, panels, tmp_path / "b", other)
    assert mixed is not None and mixed.standing() == straight.standing()


@pytest.mark.by_hand
@pytest.mark.parametrize("seed", range(1, 31))
def test_any_order_of_many_histories(
    begun: Path, panels: Panels, tmp_path: Path, seed: int
) -> None:
    events = drawn(seed)
    stories = [told(begun, panels, tmp_path / "a", in_order(events))]
    stories += [told(begun, panels, tmp_path / "b", shuffled(events, n)) for n in range(6)]
    found = [one.standing() for one in stories if one is not None]
    if len(found) < 2:  # an act is refused in this order or that: other histories
        pytest.skip("nothing to compare")
    assert all(one == found[0] for one in found)


@pytest.mark.parametrize(
    "quality",
    [pytest.param(7.5, marks=pytest.mark.full), pytest.param(6.4, marks=pytest.mark.by_hand)],
)
def test_evidence_against_a_lot_opens_no_gate(
    begun: Path, panels: Panels, tmp_path: Path, quality: float
) -> None:
    base = Held("R7", "2027-01-05", (ONE,), {ONE: quality}, slip=True)
    before = told(begun, panels, tmp_path / "a", in_order([base]))
    assert before is not None and before.released() == ({ONE} if quality > 7 else set())
    worse: list[list[Event]] = [
        [replace(base, quality={ONE: 3.0})],
        [replace(base, notes={ONE: PEOPLE[:6]})],
        [replace(base, quality={ONE: quality, STANDARD: 4.0})],
    ]
    if quality < 7:
        worse.append([base, Held("R8", "2027-01-07", (ONE,), {ONE: 3.0})])
    for events in worse:
        after = told(begun, panels, tmp_path / "b", in_order(events))
        assert after is not None and not after.released()
