"""What people hand in wrong: one clear error with every fault, exit code 2, nothing written."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from bulkflow.cli.shell import run
from panels.cli import build_app
from tests.panels.conftest import FIRST, Panels, record_count
from tests.panels.filled_sheets import Rows, filled, sitting_of, written

Spoil = Callable[[Rows], None]


def _set(column: str, value: str, row: int = 3) -> Spoil:
    def spoil(rows: Rows) -> None:
        rows[row][column] = value

    return spoil


def _doubled(rows: Rows) -> None:
    rows.insert(4, dict(rows[3]))


def _stranger(rows: Rows) -> None:
    rows.append(dict(rows[0], assessor="A11"))


def _foreign_code(rows: Rows) -> None:
    other = next(row for row in rows if row["assessor"] != rows[3]["assessor"])
    rows[3]["code"] = other["code"]


def _unknown_code(rows: Rows) -> None:
    used = {row["code"] for row in rows}
    rows[3]["code"] = next(str(n) for n in range(100, 1000) if str(n) not in used)


def _backwards(rows: Rows) -> None:
    mine = [row for row in rows if row["assessor"] == rows[0]["assessor"]]
    mine[0]["nosed"], mine[1]["nosed"] = mine[1]["nosed"], mine[0]["nosed"]


SPOILT: dict[str, tuple[Spoil, str]] = {
    "score above the scale": (
        _set("score", "11"),
        "scores.csv, line 5: score is 11, off the scale. Score 0 to 10 in steps of 0.5.",
    ),
    "score below the scale": (
        _set("score", "-0.5"),
        "scores.csv, line 5: score is -0.5, off the scale. Score 0 to 10 in steps of 0.5.",
    ),
    "score between the steps": (
        _set("score", "7.3"),
        "scores.csv, line 5: score is 7.3, between the steps. Score 0 to 10 in steps of 0.5.",
    ),
    "score is NaN": (_set("score", "nan"), "line 5: score is the text 'nan'."),
    "score is infinite": (_set("score", "inf"), "line 5: score is the text 'inf'."),
    "score is a word": (_set("score", "good"), "line 5: score is the text 'good'."),
    "decimal comma": (_set("score", "7,5"), "line 5: score is the text '7,5'."),
    "unknown code": (_unknown_code, "is no code of this sitting. Copy the code from the glass."),
    "another assessor's code": (_foreign_code, "stands on the tray of A"),
    "doubled code": (_doubled, "stands twice for A1. One row a glass: take one out."),
    "one sheet too many": (
        _stranger,
        f"assessor A11 does not sit in {FIRST}: one sheet too many. Did you mean A1?",
    ),
    "nosed before poured": (
        _set("nosed", "09:40"),
        "line 5: nosed 09:40 lies before it was poured (10:00): the clock goes backwards.",
    ),
    "nosed before the glass before it": (_backwards, "the clock goes backwards"),
    "no time of day": (
        _set("poured", "10.00"),
        "line 5: poured is the text '10.00'. Give the local time as HH:MM, such as 10:05.",
    ),
    "hour that is none": (_set("nosed", "25:10"), "line 5: nosed is the text '25:10'."),
    "score without a time": (
        _set("nosed", ""),
        "line 5: nosed is missing, though there is a score. Give the time.",
    ),
    "note not on the list": (
        _set("off_notes", "sulfury:3"),
        "names 'sulfury', which is not on the house list. Did you mean sulphury?",
    ),
    "note without intensity": (
        _set("off_notes", "sulphury"),
        "gives sulphury the intensity (none). Write sulphury:1 to sulphury:5.",
    ),
    "note too strong": (_set("off_notes", "musty:9"), "gives musty the intensity 9."),
    "note twice": (_set("off_notes", "musty:2;musty:3"), "names musty twice. Name it once."),
    "formula in the remarks": (
        _set("remarks", "=HYPERLINK(1)"),
        "line 5: remarks starts with '=', as a formula does.",
    ),
    "formula after a sign": (_set("remarks", "@SUM(A1)"), "A text does not start with = + - or @"),
    "page text in the remarks": (
        _set("remarks", "good <script>alert(1)</script>"),
        "line 5: remarks has a mark that a spreadsheet or a page could run",
    ),
    "control character in the remarks": (
        _set("remarks", "good\x07"),
        "line 5: holds the control character U+0007",
    ),
    "too long a remark": (_set("remarks", "a" * 4001), "line 5: remarks has 4001 characters"),
}


@pytest.mark.parametrize("how", SPOILT)
def test_spoilt_sheet_is_refused_whole(
    planned_register: Path, panels: Panels, tmp_path: Path, how: str
) -> None:
    spoil, words = SPOILT[how]
    rows = filled(planned_register, FIRST)
    spoil(rows)
    path = written(tmp_path / "scores.csv", rows)
    before = record_count(planned_register)
    ran = panels("sitting", "record", planned_register, FIRST, path)
    assert ran.code == 2
    assert words in ran.err
    assert "Traceback" not in ran.err and ran.out == ""
    assert record_count(planned_register) == before


def test_every_fault_of_a_file_is_told_at_once(
    planned_register: Path, panels: Panels, tmp_path: Path
) -> None:
    rows = filled(planned_register, FIRST)
    rows[0]["score"], rows[5]["score"], rows[9]["off_notes"] = "12", "x", "petrol:2"
    path = written(tmp_path / "scores.csv", rows)
    ran = panels("sitting", "record", planned_register, FIRST, path, "--json")
    faults = json.loads(ran.err.split("\n", 1)[1])["error"]["faults"]
    assert [(f["line"], f["where"]) for f in faults] == [
        (2, "score"),
        (7, "score"),
        (11, "off_notes"),
    ]


def test_an_assessor_scores_a_sitting_once(planned: Path, panels: Panels, tmp_path: Path) -> None:
    rows = filled(planned, FIRST)
    first = [row for row in rows if row["assessor"] == "A3"]
    path = written(tmp_path / "a3.csv", first)
    assert panels("sitting", "record", planned, FIRST, path).code == 0
    before = record_count(planned)
    ran = panels("sitting", "record", planned, FIRST, written(tmp_path / "all.csv", rows))
    assert ran.code == 2
    assert "A3 has a sheet in the register already. An assessor scores a sitting once" in ran.err
    assert record_count(planned) == before


BAD_FILES = {
    "empty": (b"", "is empty"),
    "header only": (b"assessor,code,poured,nosed,score\n", "has a header but no rows"),
    "other encoding": ("assessor,code\nA1,é".encode("latin-1"), "is not UTF-8"),
    "unknown column": (b"assessor,code,poured,nosed,scroe\n1,2,3,4,5\n", "Did you mean score?"),
    "missing column": (b"assessor,code,poured,nosed\nA1,2,3,4\n", "lacks the column score"),
    "doubled column": (
        b"assessor,code,poured,nosed,score,score\nA1,2,3,4,5,6\n",
        "score is the name of two columns",
    ),
    "open quotation": (
        b'assessor,code,poured,nosed,score\n"A1,2,3,4,5\n',
        "cannot be read from here on",
    ),
    "binary": (b"assessor,code\n\x00", "holds zero bytes"),
}


@pytest.mark.parametrize("how", BAD_FILES)
def test_files_that_are_no_score_table(
    planned_register: Path, panels: Panels, tmp_path: Path, how: str
) -> None:
    content, words = BAD_FILES[how]
    path = tmp_path / "scores.csv"
    path.write_bytes(content)
    ran = panels("sitting", "record", planned_register, FIRST, path)
    assert ran.code == 2 and words in ran.err and "Traceback" not in ran.err


def test_semicolons_with_decimal_commas_are_read(
    planned: Path, panels: Panels, tmp_path: Path
) -> None:
    rows = filled(planned, FIRST)
    for row in rows:
        row["score"] = row["score"].replace(".", ",")
    path = written(tmp_path / "scores.csv", rows, delimiter=";")
    assert panels("sitting", "record", planned, FIRST, path).code == 0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda rows: rows.pop(), "is missing. Every sample needs its measured strength."),
        (lambda rows: rows.append(dict(rows[0])), "VK-DRY-2641 stands twice. Keep one row."),
        (lambda rows: rows[0].update(diluted_strength="40"), "of VK-DRY-2641 is 40 % vol."),
        (lambda rows: rows[0].update(diluted_strength="nan"), "is the text 'nan'."),
        (lambda rows: rows[0].update(subject="VK-DRY-264"), "Did you mean VK-DRY-264"),
    ],
)
def test_preparation_with_a_wrong_strength_is_refused_with_the_sheets(
    planned_register: Path,
    panels: Panels,
    tmp_path: Path,
    change: Callable[[Rows], object],
    words: str,
) -> None:
    sitting = sitting_of(planned_register, FIRST)
    subjects = [lot.lot for lot in sitting.lots] + [s.standard for s in sitting.standards]
    rows = [{"subject": subject, "diluted_strength": "20.1"} for subject in subjects]
    change(rows)
    samples = written(tmp_path / "samples.csv", rows)
    scores = written(tmp_path / "scores.csv", filled(planned_register, FIRST))
    before = record_count(planned_register)
    ran = panels("sitting", "record", planned_register, FIRST, scores, "--preparation", samples)
    assert ran.code == 2 and words in ran.err
    assert record_count(planned_register) == before


DEFINITION = """\
sitting: T-1
held_on: 2027-01-05
zone: Europe/Riga
room: nosing room
leader: Ilze Ozola
coder: Juris Kalns
assessors: [A1, A2, A3, A4, A5, A6, A7, A8]
water: demineralised, batch W-27-01
lots:
  - {lot: VK-DRY-2643, liquid: VK-DRY, strength: 80.1}
"""

DEFINITIONS = {
    "strength of another liquid": (
        ("strength: 80.1", "strength: 60"),
        "lots[0].strength is 60.00 % vol, but the register has VK-DRY-2643 at 80.05 % vol.",
    ),
    "strength below nosing strength": (
        ("strength: 80.1", "strength: 12"),
        "line 10: lots[0].strength VK-DRY-2643 is given at 12 % vol; diluting to 20 % vol needs",
    ),
    "strength above all": (("strength: 80.1", "strength: 120"), "line 10: lots[0].strength is 120"),
    "strength is NaN": (("strength: 80.1", "strength: .nan"), "line 10: lots[0].strength is nan"),
    "no strength": ((", strength: 80.1", ""), "needs either strength, or density_kg_m3"),
    "density without temperature": (
        ("strength: 80.1", "density_kg_m3: 860"),
        "needs either strength, or density_kg_m3 and temperature_c",
    ),
    "unknown lot": (("VK-DRY-2643", "VK-DRY-2699"), "which the register does not know"),
    "lot of another liquid": (
        ("liquid: VK-DRY", "liquid: VK-CIT"),
        "lots[0].liquid is VK-CIT, but VK-DRY-2643 is VK-DRY. Correct the liquid.",
    ),
    "liquid without a rule": (("liquid: VK-DRY", "liquid: VK-X"), "has no release rule by"),
    "rule declared later": (
        ("held_on: 2027-01-05", "held_on: 2026-10-01"),
        "has no release rule by 2026-10-01. Declare the rule before the sitting.",
    ),
    "standard too old": (
        ("held_on: 2027-01-05", "held_on: 2027-12-01"),
        "whose standard VK-DRY-S4 may be served from 2026-03-16 to 2027-09-16",
    ),
    "too few assessors": (
        ("[A1, A2, A3, A4, A5, A6, A7, A8]", "[A1, A2, A3, A4]"),
        "which only 4 assessors would nose. The rule needs 8",
    ),
    "assessor twice": (("A7, A8]", "A7, A7]"), "names an assessor twice"),
    "coder noses": (("coder: Juris Kalns", "coder: A1"), "has A1 code the glasses and nose them"),
    "zone unknown": (("zone: Europe/Riga", "zone: Riga"), "line 3: zone is"),
    "unknown field": (("room:", "rom:"), "rom is not a key known here"),
    "doubled field": (
        ("room: nosing", "zone: nosing"),
        "zone is given again (first in line 3).",
    ),
    "not YAML": (("lots:", "lots: ["), "cannot be read as YAML"),
    "anchors": (("room: nosing room", "room: &a nosing room"), "sets the anchor &a"),
    "hostile tag": (
        ("room: nosing room", "room: !!python/name:os.system"),
        "has the tag 'tag:yaml.org,2002:python/name:os.system'",
    ),
    "page text": (("room: nosing room", "room: <b>room</b>"), "line 4: room has a mark"),
    "window turned round": (
        ("lots:", "earliest_minutes: 60\nlatest_minutes: 30\nlots:"),
        "has earliest_minutes at or above latest_minutes",
    ),
    "suspected lot alone": (
        ("strength: 80.1}", "strength: 80.1, suspected: true}"),
        "Repeat a clean lot in flight 2, so that the flight tells nothing.",
    ),
    "attribute that is a column": (
        ("lots:", "attributes: [score]\nlots:"),
        "has an attribute score, which is a column of every sheet",
    ),
    "repeat of nothing": (
        ("lots:", "repeats: [{lot: VK-X}]\nlots:"),
        "repeats VK-X, which is not among its lots",
    ),
}


@pytest.fixture(scope="module")
def reopened_register(decided_register: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo decided, with the lot of the definition before the panel again."""
    folder = tmp_path_factory.mktemp("reopened") / "vejkalna"
    shutil.copytree(decided_register, folder)
    words = ["sitting", "reopen", str(folder), "VK-DRY-2643", "--reason", "the tank was topped up"]
    assert run(build_app(), words, name="panels") == 0
    return folder


@pytest.mark.parametrize("how", DEFINITIONS)
def test_definitions_that_cannot_be_planned(
    reopened_register: Path, panels: Panels, tmp_path: Path, how: str
) -> None:
    (old, new), words = DEFINITIONS[how]
    assert old in DEFINITION
    path = tmp_path / "t.yaml"
    path.write_text(DEFINITION.replace(old, new), encoding="utf-8")
    before = record_count(reopened_register)
    ran = panels("sitting", "plan", reopened_register, path)
    assert ran.code == 2, ran.out
    assert words in " ".join(ran.err.split()), ran.err
    assert "t.yaml" in ran.err and "Traceback" not in ran.err
    assert record_count(reopened_register) == before
    assert not (reopened_register / "panel" / "keys" / "T-1.json").exists()


def test_the_definition_as_it_stands_is_good(decided: Path, panels: Panels, tmp_path: Path) -> None:
    path = tmp_path / "t.yaml"
    path.write_text(DEFINITION, encoding="utf-8")
    ran = panels("sitting", "plan", decided, path)
    assert ran.code == 2 and "panels sitting reopen" in ran.err
    reason = ("--reason", "the tank was topped up")
    assert panels("sitting", "reopen", decided, "VK-DRY-2643", *reason).code == 0
    assert panels("sitting", "plan", decided, path).code == 0
    ran = panels("sitting", "plan", decided, path)
    assert ran.code == 2 and "is planned already" in ran.err


def test_key_that_was_changed_or_lost_is_refused(
    planned: Path, panels: Panels, tmp_path: Path
) -> None:
    scores = written(tmp_path / "scores.csv", filled(planned, FIRST))
    assert panels("sitting", "record", planned, FIRST, scores).code == 0
    path = planned / "panel" / "keys" / f"{FIRST}.json"
    whole = path.read_text()
    path.write_text(whole.replace("VK-DRY-2641", "VK-DRY-2642", 1))
    before = record_count(planned)
    ran = panels("sitting", "close", planned, FIRST)
    assert ran.code == 2 and "is not the key that VK-2026-12-15 was planned with" in ran.err
    path.write_text("{}")
    assert "is not the key of a sitting" in panels("sitting", "close", planned, FIRST).err
    path.unlink()
    assert "does not exist" in panels("sitting", "close", planned, FIRST).err
    assert record_count(planned) == before
    path.write_text(whole)
    assert panels("sitting", "close", planned, FIRST).code == 0


def test_key_file_is_for_its_owner_only(planned: Path) -> None:
    path = planned / "panel" / "keys" / f"{FIRST}.json"
    assert path.stat().st_mode & 0o077 == 0
