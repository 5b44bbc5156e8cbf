"""Random histories of one lot through the real commands and database, against plain bookkeeping.

The bookkeeping knows only what was done and said, no rule of the program: a reject and a confirmed
off-note are for ever, a named off-note stands (tests of these histories are repeats, which may
confirm and never clear), a lot put before the panel again is not released until a sitting says so.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

import pytest

from bulkflow.lots.acts import record_lots
from bulkflow.lots.queries import find_lot
from bulkflow.lots.register import open_register
from bulkflow.lots.tables import DECISION
from bulkflow.records import Actor, records_about, settings_for
from panels.records import PANELS
from tests.panels.conftest import Panels, Ran, record_count, register
from tests.panels.filled_sheets import filled, made_lot, subjects_of, written

LOT, NOTE = "VK-DRY-2799", "sulphury"
PEOPLE = [f"A{n}" for n in range(1, 11)]
FIRST_DAY = date(2027, 1, 4)
DEFINITION = """\
sitting: {name}
held_on: {day}
zone: Europe/Riga
room: nosing room
leader: Ilze Ozola
coder: Juris Kalns
assessors: [A1, A2, A3, A4, A5, A6, A7, A8, A9, A10]
water: demineralised, batch W-27-01
lots:
  - {{lot: VK-DRY-2799, liquid: VK-DRY, strength: 80.0}}
"""


@dataclass
class Books:
    """What was done to the lot, as anyone could note it."""

    rejected: bool = False
    confirmed: bool = False
    named: list[date] = field(default_factory=list)
    reopened: bool = False
    done: list[str] = field(default_factory=list)

    @property
    def against(self) -> bool:
        return self.rejected or self.confirmed or bool(self.named) or self.reopened


class Story:
    """One lot, acts on it, and the books beside."""

    def __init__(self, folder: Path, panels: Panels, scratch: Path, seed: int) -> None:
        self.folder, self.panels, self.scratch = folder, panels, scratch
        self.rng, self.books = random.Random(seed), Books()
        self.last, self.number = FIRST_DAY, 0
        settings = settings_for(folder, environ={})
        with open_register(settings, PANELS) as store, store.write(Actor.current("Clerk")) as one:
            record_lots(one, [made_lot(LOT)])

    def day(self) -> date:
        """The next day, or now and then one that is past already: entered late."""
        self.last += timedelta(days=1)
        return self.last - timedelta(days=self.rng.choice([0, 0, 0, 3]))

    def act(self) -> None:
        before, decided = record_count(self.folder), self.decision()
        kind = self.rng.choice(
            ["sitting", "sitting", "confirm", "reopen"] * 3 + ["cancel", "again"]
        )
        ran = getattr(self, kind)()
        self.books.done.append(f"{kind}: {'refused' if ran.code else self.decision()}")
        if ran.code:
            assert ran.code == 2 and "Traceback" not in ran.err, ran.err
            assert record_count(self.folder) == before, self.books.done
            assert self.decision() == decided, self.books.done
        self.hold_to_the_books()

    def hold_to_the_books(self) -> None:
        if self.books.against:
            assert self.decision() != "release", self.books.done
        with register(self.folder) as session:
            open_ = find_lot(session, LOT).status.value == "released"
        assert open_ == (self.decision() == "release"), self.books.done

    def decision(self) -> str:
        with register(self.folder) as session:
            made = records_about(session, LOT, kinds=(DECISION.name,))
        return str(made[-1].content["outcome"]) if made else "none"

    def _planned(self, name: str, day: date) -> Ran:
        file = self.scratch / f"{name}.yaml"
        file.write_text(DEFINITION.format(name=name, day=day), encoding="utf-8")
        return self.panels("sitting", "plan", self.folder, file, "--seed", self.number)

    def sitting(self) -> Ran:
        self.number += 1
        name, day = f"R-{self.number}", self.day()
        ran = self._planned(name, day)
        if ran.code:
            return ran
        quality = self.rng.choice([7.5, 7.5, 7.5, 6.3, 3.0])
        named = self.rng.sample(PEOPLE, 5) if self.rng.random() < 0.3 else []
        rows = filled(self.folder, name, {LOT: quality}, notes={LOT: named})
        scores = written(self.scratch / f"{name}.csv", rows)
        assert self.panels("sitting", "record", self.folder, name, scores).code == 0
        if self.rng.random() < 0.3:
            row = rows[0]
            words = (name, row["assessor"], row["code"], "remarks", "flat")
            amend = ("sitting", "amend", self.folder, *words, "--reason", "left out so far")
            assert self.panels(*amend).code == 0
        assert self.panels("sitting", "close", self.folder, name).code == 0
        ran = self.panels("sitting", "decide", self.folder, name)
        assert ran.code == 0, ran.err
        self.books.reopened = False
        if named:
            self.books.named.append(day)
        if quality == 3.0:
            assert self.decision() != "release", self.books.done
        self.books.rejected |= self.decision() == "reject"
        return ran

    def cancel(self) -> Ran:
        self.number += 1
        name = f"R-{self.number}"
        ran = self._planned(name, self.day())
        if ran.code:
            return ran
        standing = self.decision()
        words = ("sitting", "cancel", self.folder, name, "--reason", "the room is not free")
        ran = self.panels(*words)
        assert ran.code == 0 and self.decision() == standing
        return ran

    def again(self) -> Ran:
        """What is decided is not decided twice."""
        self.number += 1
        return self.panels("sitting", "decide", self.folder, f"R-{self.number - 1}")

    def reopen(self) -> Ran:
        words = ("sitting", "reopen", self.folder, LOT, "--reason", "the tank was topped up")
        ran = self.panels(*words)
        self.books.reopened |= ran.code == 0
        return ran

    def confirm(self) -> Ran:
        self.number += 1
        name, day = f"C-{self.number}", self.day()
        words = ["confirm", "plan", self.folder, name, LOT, NOTE, "--on", day, "--sets", 3]
        ran = self.panels(*words, "--seed", self.number, "--json")
        if ran.code:
            return ran
        sets, inside = ran.json["records"][0]["body"]["sets"], subjects_of(self.folder, name)
        # 30 answers, of which 10 are right by chance
        right = self.rng.choice([3, 10, 28])
        rows = []
        for number, one in enumerate(sets):
            for code in one["codes"]:
                if (inside[(one["assessor"], code)] == LOT) == (number < right):
                    rows.append(
                        {"assessor": one["assessor"], "set": str(one["number"]), "code": code}
                    )
                    break
        answers = written(self.scratch / f"{name}.csv", rows)
        ran = self.panels("confirm", "record", self.folder, name, answers)
        assert ran.code == 0, ran.err
        self.books.confirmed |= right == 28
        assert (self.decision() == "reject") == (self.books.rejected or self.books.confirmed)
        return ran


def _told(folder: Path, panels: Panels, scratch: Path, seed: int, acts: int) -> Story:
    story = Story(folder, panels, scratch, seed)
    for _ in range(acts):
        story.act()
    assert any("refused" not in one for one in story.books.done)
    return story


@pytest.mark.full
def test_a_short_history(decided: Path, panels: Panels, tmp_path: Path) -> None:
    _told(decided, panels, tmp_path, 4, 5)


@pytest.mark.full
@pytest.mark.parametrize("seed", range(5))
def test_a_long_history(decided: Path, panels: Panels, tmp_path: Path, seed: int) -> None:
    story = _told(decided, panels, tmp_path, 100 + seed, 16)
    assert panels("sitting", "list", decided).code == 0
    assert len(set(story.books.done)) > 2, story.books.done
