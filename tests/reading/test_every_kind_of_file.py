"""Every kind of table and of YAML file a user hands in is read by one reader: the same encodings,
workbooks, decimal rules and refusals, whatever the file is for."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from openpyxl import Workbook

from bulkflow.account.tablefiles import read_bottlings, read_readings
from bulkflow.core.document import load_document
from bulkflow.errors import InputError
from bulkflow.lots.queries import list_lots
from bulkflow.lots.register import open_register
from bulkflow.lots.result_tables import import_results
from bulkflow.lots.seeds import import_seeds
from bulkflow.records import Actor, settings_for
from bulkflow.report.terms import read_terms
from bulkflow.scenario import read_workspace
from bulkflow.scenario.model import Product
from panels.preparation.standards import read_standards
from panels.release.files import read_rules
from panels.sittings.definition import read_definition
from panels.sittings.scores import SheetRules, read_preparation, read_sheets
from panels.uses.answers import read_answers
from panels.uses.choosing import read_trial
from panels.uses.declaration import (
    PanelRule,
    SiteRule,
    read_any_declaration,
    read_declaration,
)
from panels.uses.monitoring import read_reference_scores
from panels.uses.off_note import read_records
from panels.uses.site import read_ratings
from tests.scenario.broken import COAST, edited

DEMO = Path(__file__).parents[2] / "scenarios" / "vejkalna"
USES = DEMO / "panel" / "uses"
ANN = Actor("Ann", "ann")

# --- tables --------------------------------------------------------------------------------

LOTS = "lot_id,liquid_id,site_id,litres_20c,strength_percent,status\nD-1,DRY,KROGA,9000.5,80,held\n"
RESULTS = "lot_id,analyte,value,unit,laboratory\nD-1,methanol,12.5,g/hL,own\n"
READINGS = "liquid_id,temperature,volume,stated_percent\nDRY,18.5,21900,80\n"
BOTTLINGS = (
    "bottling_id,site_id,product_id,on,sources,cases,strength_percent\n"
    "B-1,QUAY,GIN,2027-01-14,stock:DRY=150.5,80,40.5\n"
)
SCORES = "assessor,code,poured,nosed,score,remarks\nA1,123,10:00,10:20,7.5,good\n"
PREPARED = "subject,diluted_strength\nD-1,20.1\nS-1,20.2\n"
GIN = Product(id="GIN", liquid="DRY", bottle_ml=700.0, strength_percent=40.0, bottles_per_case=6)
PLACE = SimpleNamespace(assessor="A1", code="123", flight=1, position=1)
SITTING: Any = SimpleNamespace(
    sitting="T-1",
    assessors=("A1",),
    places=(PLACE,),
    attributes=(),
    lots=(SimpleNamespace(lot="D-1"),),
    standards=(SimpleNamespace(standard="S-1"),),
    samples=("D-1", "S-1"),
    target_strength=20.0,
)
RULES = SheetRules(0.0, 10.0, 0.5, ("musty",), 5)


def in_workspace(path: Path) -> object:
    """Read the table as one of a workspace."""
    folder = edited(path.parent / "workspace")
    for suffix in (".csv", ".xlsx"):
        (folder / f"{path.stem}{suffix}").unlink(missing_ok=True)
    (folder / path.name).write_bytes(path.read_bytes())
    scenario = read_workspace(folder).scenario
    return scenario.demand, scenario.prices


@contextmanager
def register_in_memory():
    with open_register(settings_for(".", "sqlite://"), actor=ANN) as store, store.write(ANN) as one:
        yield one


def as_opening(path: Path) -> object:
    with register_in_memory() as session:
        import_seeds(session, path.parent, today=date(2027, 1, 4))
        return [(lot.lot_id, lot.litres_20c, lot.status) for lot in list_lots(session)]


def as_results(path: Path) -> object:
    with register_in_memory() as session:
        folder = path.parent / "opening"
        folder.mkdir()
        (folder / "opening_lots.csv").write_text(LOTS, "utf-8")
        import_seeds(session, folder, today=date(2027, 1, 4))
        return [record.body for record in import_results(session, path)]


def of_source(path: Path) -> object:
    from panels.methods.protocols import ForcedChoice

    test = ForcedChoice.of("triangle")
    return read_answers(path, group="delivery", test=test, declared=date(2026, 10, 5)).by_group


@dataclass(frozen=True)
class Kind:
    """A kind of table: how it is read, a good one, a column of numbers and one of texts."""

    stem: str
    read: Callable[[Path], object]
    text: str
    number: str
    words: str


def demo(name: str, keep: int | None = None) -> str:
    lines = (USES / name).read_text("utf-8").splitlines()
    return "\n".join(lines[:keep]) + "\n"


KINDS = {
    kind.stem: kind
    for kind in (
        Kind("demand", in_workspace, (COAST / "demand.csv").read_text("utf-8"), "lpa", "site_id"),
        Kind(
            "prices",
            in_workspace,
            (COAST / "prices.csv").read_text("utf-8"),
            "price_per_lpa",
            "liquid_id",
        ),
        Kind("opening_lots", as_opening, LOTS, "litres_20c", "liquid_id"),
        Kind("lab_results", as_results, RESULTS, "value", "analyte"),
        Kind("readings", read_readings, READINGS, "temperature", "liquid_id"),
        Kind(
            "bottlings",
            lambda path: read_bottlings(path, {"GIN": GIN}),
            BOTTLINGS,
            "strength_percent",
            "site_id",
        ),
        Kind(
            "scores",
            lambda path: read_sheets(path, SITTING, RULES, recorded=()),
            SCORES,
            "score",
            "remarks",
        ),
        Kind(
            "preparation",
            lambda path: read_preparation(path, SITTING),
            PREPARED,
            "diluted_strength",
            "subject",
        ),
        Kind("answers", of_source, demo("source.csv"), "", "assessor"),
        Kind("records", read_records, demo("records.csv"), "", "assessor"),
        Kind(
            "ratings",
            lambda path: read_ratings(
                path, read_declaration(USES / "site.yaml", SiteRule)
            ).table.to_dict(),
            demo("site.csv"),
            "difference",
            "run",
        ),
        Kind(
            "trial",
            lambda path: read_trial(
                path, read_declaration(USES / "panel.yaml", PanelRule)
            ).scores.to_dict(),
            demo("trial.csv"),
            "score",
            "product",
        ),
        Kind(
            "reference_scores",
            lambda path: read_reference_scores(
                path, read_declaration(USES / "panel.yaml", PanelRule)
            ),
            demo("reference.csv"),
            "score",
            "sitting",
        ),
    )
}
NUMBERED = [name for name, kind in KINDS.items() if kind.number]


def rows_of(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text)))


def put(folder: Path, kind: Kind, data: str | bytes, suffix: str = ".csv") -> Path:
    path = folder / f"{kind.stem}{suffix}"
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return path


def joined(rows: list[list[str]], separator: str = ",") -> str:
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=separator, lineterminator="\n").writerows(rows)
    return out.getvalue()


def with_cell(kind: Kind, column: str, value: str, separator: str = ",") -> str:
    rows = rows_of(kind.text)
    rows[1][rows[0].index(column)] = value
    return joined(rows, separator)


def typed(text: str) -> object:
    for convert in (int, float, date.fromisoformat):
        try:
            return convert(text)
        except ValueError:
            continue
    return text or None


def workbook(folder: Path, kind: Kind, rows: list[list[object]]) -> Path:
    book = Workbook()
    book.active.title = "notes"
    sheet = book.create_sheet(kind.stem)
    for row in rows:
        sheet.append(row)
    path = folder / f"{kind.stem}.xlsx"
    book.save(path)
    return path


def refused(kind: Kind, path: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        kind.read(path)
    assert all(fault.mend for fault in caught.value.faults)
    return [str(fault) for fault in caught.value.faults]


def read_plain(folder: Path, kind: Kind) -> object:
    (folder / "plain").mkdir()
    return kind.read(put(folder / "plain", kind, kind.text))


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-be"])
@pytest.mark.parametrize("name", KINDS)
def test_the_same_from_every_encoding(tmp_path: Path, name: str, encoding: str) -> None:
    kind = KINDS[name]
    mark = b"\xfe\xff" if encoding == "utf-16-be" else b""
    path = put(tmp_path, kind, mark + kind.text.encode(encoding))
    assert kind.read(path) == read_plain(tmp_path, kind)


@pytest.mark.parametrize("name", KINDS)
def test_the_same_from_a_workbook(tmp_path: Path, name: str) -> None:
    kind = KINDS[name]
    rows = [[typed(cell) for cell in row] for row in rows_of(kind.text)]
    assert kind.read(workbook(tmp_path, kind, rows)) == read_plain(tmp_path, kind)


@pytest.mark.parametrize("name", KINDS)
def test_the_same_with_semicolons_and_decimal_commas(tmp_path: Path, name: str) -> None:
    kind = KINDS[name]
    rows = rows_of(kind.text)
    column = rows[0].index(kind.number) if kind.number else None
    for row in rows[1:]:
        if column is not None:
            row[column] = row[column].replace(".", ",")
    path = put(tmp_path, kind, joined(rows, ";"))
    assert kind.read(path) == read_plain(tmp_path, kind)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b" \n \n", "is empty"),
        (b"\x00\x01\x02", "holds zero bytes"),
        (b"PK\x03\x04\x00", "is a packed file, as a workbook is"),
        ("a,b\n€,1\n".encode("cp1252"), "line 2: is not UTF-8 (byte 0x80)"),
        ("a,b\n1,2\n".encode("utf-32"), "is encoded as UTF-32"),
        (b"a\tb\n1\t2\n", "line 1: is separated by tabs"),
        (b'a,b\n"1,2\n', "line 2: cannot be read from here on"),
        (b"a,b\n1,\x07\n", "line 2: holds the control character U+0007"),
    ],
)
@pytest.mark.parametrize("name", KINDS)
def test_what_is_no_table_is_refused(tmp_path: Path, name: str, data: bytes, words: str) -> None:
    kind = KINDS[name]
    (said,) = refused(kind, put(tmp_path, kind, data))
    assert words in said
    assert said.startswith(kind.stem)


@pytest.mark.parametrize("name", KINDS)
def test_a_workbook_that_is_none_is_refused(tmp_path: Path, name: str) -> None:
    kind = KINDS[name]
    (said,) = refused(kind, put(tmp_path, kind, b"a,b\n", ".xlsx"))
    assert "cannot be read as a workbook" in said


@pytest.mark.parametrize("name", KINDS)
def test_headers_are_checked_alike(tmp_path: Path, name: str) -> None:
    kind = KINDS[name]
    rows = rows_of(kind.text)
    for row in rows:
        row += [row[0], ""]
    rows[0][-2:] = [rows[0][0], "zzz"]
    said = refused(kind, put(tmp_path, kind, joined(rows)))
    assert any(f"line 1: {rows[0][0]} is the name of two columns." in line for line in said)
    assert any("line 1: zzz is not a column known here. Known: " in line for line in said)


@pytest.mark.parametrize("name", KINDS)
def test_rows_that_do_not_fit_the_header_are_told(tmp_path: Path, name: str) -> None:
    kind = KINDS[name]
    said = refused(
        kind, put(tmp_path, kind, kind.text + "one,cell,too,many,by,far,1,2,3,4,5,6,7\n")
    )
    last = kind.text.count("\n") + 1
    assert any(f"line {last}: has 13 cells where the header has" in line for line in said)


@pytest.mark.parametrize("name", [name for name in KINDS if name != "prices"])
def test_a_table_without_rows_is_told_where_rows_are_needed(tmp_path: Path, name: str) -> None:
    kind = KINDS[name]
    said = refused(kind, put(tmp_path, kind, kind.text.split("\n")[0] + "\n"))
    assert any("has a header but no rows" in line or "is missing" in line for line in said)


@pytest.mark.parametrize(
    ("cell", "separator", "words"),
    [
        ("nan", ",", "is the text 'nan'."),
        ("inf", ",", "is the text 'inf'."),
        ("-Infinity", ",", "is the text '-Infinity'."),
        ("1e999", ",", "is the text '1e999'. Write a number of a size that can be."),
        ("0x10", ",", "is the text '0x10'."),
        ("1_000", ",", "is the text '1_000'."),
        ("12 L", ",", "is the text '12 L'. Write a number"),
        ("8.75%", ",", "is the text '8.75%'. Write a number"),
        ("1 234.5", ",", "Write it without thousands separators."),
        ("6,000", ",", "can be read in two ways. Write 6000 or 6, whichever is meant."),
        ("8.750", ";", "can be read in two ways. Write 8750 or 8.75, whichever is meant."),
        ("8.125", ";", "can be read in two ways. Write 8125 or 8.1250, whichever is meant."),
        ("7,5", ",", "Write 7.5; a decimal comma is read only"),
        ("=1+1", ",", "starts with '=', as a formula does."),
        ("<b>7</b>", ",", "is the text '<b>7</b>'."),
        ("\u0667", ",", "is the text '\u0667'."),
    ],
)
@pytest.mark.parametrize("name", NUMBERED)
def test_what_is_no_plain_number_is_refused(
    tmp_path: Path, name: str, cell: str, separator: str, words: str
) -> None:
    kind = KINDS[name]
    if (name, cell[0]) == ("lab_results", "<"):
        pytest.skip("a result may be below a bound")
    said = refused(kind, put(tmp_path, kind, with_cell(kind, kind.number, cell, separator)))
    assert any(f"line 2: {kind.number} " in line and words in line for line in said), said


@pytest.mark.parametrize("name", NUMBERED)
def test_a_workbook_may_hold_numbers_only_as_numbers(tmp_path: Path, name: str) -> None:
    kind = KINDS[name]
    for number, (cell, words) in enumerate(
        [("7.5 %", "Make the cell a number"), ("=3+4", "is a formula without a saved value")]
    ):
        rows: list[list[object]] = [[typed(cell) for cell in row] for row in rows_of(kind.text)]
        rows[1][rows[0].index(kind.number)] = cell
        folder = tmp_path / str(number)
        folder.mkdir()
        said = refused(kind, workbook(folder, kind, rows))
        assert any("line 2: " in line and words in line for line in said), said


@pytest.mark.parametrize("cell", ["=HYPERLINK(1)", "=1+1", "+1+1", "@SUM(A1)", "-2+3|cmd"])
@pytest.mark.parametrize("name", KINDS)
def test_a_text_that_a_spreadsheet_would_run_is_refused(
    tmp_path: Path, name: str, cell: str
) -> None:
    kind = KINDS[name]
    said = refused(kind, put(tmp_path, kind, with_cell(kind, kind.words, cell)))
    assert any("line 2" in line or ", line 2)" in line for line in said), said


@pytest.mark.parametrize("name", KINDS)
def test_thirty_wrong_rows_of_one_cause_are_told_once(tmp_path: Path, name: str) -> None:
    kind = KINDS[name]
    rows = rows_of(kind.text)
    column = rows[0].index(kind.words)
    rows[1][column] = ""
    wrong = [list(rows[1]) for _ in range(30)]
    said = refused(kind, put(tmp_path, kind, joined([*rows[:1], *wrong])))
    assert len(said) <= 4, said


@pytest.mark.parametrize("name", KINDS)
def test_a_file_that_may_not_be_read_is_told(
    tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    kind = KINDS[name]
    path = put(tmp_path, kind, kind.text)
    whole = Path.read_bytes

    def locked(self: Path) -> bytes:
        if self.name == path.name and self.parent != COAST:
            raise PermissionError(13, os.strerror(13), str(self))
        return whole(self)

    if kind.read is in_workspace:  # it copies the file first
        folder = edited(tmp_path / "workspace")
        monkeypatch.setattr(Path, "read_bytes", locked)
        with pytest.raises(InputError) as caught:
            read_workspace(folder)
        said = [str(caught.value)]
    else:
        monkeypatch.setattr(Path, "read_bytes", locked)
        said = refused(kind, path)
    assert said[0].startswith(f"{path.name}: cannot be read (Permission denied). Check who may")


# --- YAML ----------------------------------------------------------------------------------

NETWORK = (
    "format: planning-example/1\nperiods: 2\nnodes:\n"
    "  - {id: A, supply: {at_most: 5}}\n  - {id: B, demand: {exactly: 1}}\n"
    "lanes:\n  - {from: A, to: B}\n"
)


def scenario_in(path: Path) -> object:
    folder = edited(path.parent / "workspace")
    (folder / "scenario.yaml").write_bytes(path.read_bytes())
    return read_workspace(folder).scenario


YAML: dict[str, tuple[Callable[[Path], object], str]] = {
    "scenario.yaml": (scenario_in, (COAST / "scenario.yaml").read_text("utf-8")),
    "rules.yaml": (read_rules, (DEMO / "panel" / "rules.yaml").read_text("utf-8")),
    "standards.yaml": (read_standards, (DEMO / "panel" / "standards.yaml").read_text("utf-8")),
    "sitting.yaml": (
        lambda path: read_definition(path)[0],
        (DEMO / "panel" / "sittings" / "2026-12-15.yaml").read_text("utf-8"),
    ),
    "source.yaml": (read_any_declaration, (USES / "source.yaml").read_text("utf-8")),
    "network.yaml": (load_document, NETWORK),
    "lv.yaml": (lambda path: read_terms(path).own, "due: bija\n"),
}
BOMB = "\n".join(["a0: &a0 [x]", *(f"a{n}: &a{n} [*a{n - 1}, *a{n - 1}]" for n in range(1, 40))])


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
@pytest.mark.parametrize("name", [name for name in YAML if name != "lv.yaml"])
def test_yaml_is_the_same_from_every_encoding(tmp_path: Path, name: str, encoding: str) -> None:
    read, text = YAML[name]
    for folder in ("plain", "other"):
        (tmp_path / folder).mkdir()
    (tmp_path / "plain" / name).write_text(text, "utf-8")
    (tmp_path / "other" / name).write_bytes(text.encode(encoding))
    assert read(tmp_path / "other" / name) == read(tmp_path / "plain" / name)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b"- a\n- b\n", "holds a list"),
        (b"just words\n", "holds the text 'just words'"),
        (b"a: [1,\nb: 2\n", "cannot be read as YAML"),
        (b"a:\n\t- 1\n", "line 2: is indented with a tab"),
        (b"zz: 1\nzz: 2\n", "line 2: zz is given again (first in line 1)"),
        (b"zz: &anchor 1\n", "line 1: zz sets the anchor &anchor"),
        (BOMB.encode(), "uses the alias *a0"),
        (b"zz: !!python/object/apply:os.system [ls]\n", "has the tag"),
        (b"zz: " + b"[" * 40 + b"]" * 40, "is nested more than 12 levels deep"),
        (b"zz: " + b"[" * 100_000, "nest"),
        (b"a: 1\n---\nb: 2\n", "starts a second document"),
        (b"zz: \x00\n", "holds zero bytes"),
        ("zz: é\n".encode("latin-1"), "is not UTF-8 (byte 0xE9)"),
    ],
)
@pytest.mark.parametrize("name", YAML)
def test_hostile_yaml_is_refused(tmp_path: Path, name: str, data: bytes, words: str) -> None:
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(InputError) as caught:
        YAML[name][0](path)
    said = [str(fault) for fault in caught.value.faults]
    assert any(words in line for line in said), said
    assert all(line.startswith(name) for line in said) or name == "scenario.yaml"


@pytest.mark.parametrize(
    ("name", "old", "new", "words"),
    [
        (
            "sitting.yaml",
            "leader:",
            "max_servings: 020\nleader:",
            "is the text '020'. Write a whole",
        ),
        ("sitting.yaml", "leader:", "pour_ml: 1:30\nleader:", "is the text '1:30'. Write a number"),
        ("sitting.yaml", "leader:", "spare_servings: NO\nleader:", "is the text 'NO'."),
        ("source.yaml", "deliveries: 4", "deliveries: 04", "is the text '04'. Write a whole"),
        ("source.yaml", "deliveries: 4", "deliveries: 0x4", "is the text '0x4'."),
        ("source.yaml", "deliveries: 4", "deliveries: 1:30", "is the text '1:30'."),
        ("source.yaml", "deliveries: 4", "deliveries: '4'", "is the text '4'."),
        ("source.yaml", "deliveries: 4", "deliveries: true", "is the word 'true'."),
        ("source.yaml", "beta: 0.05", "beta: .nan", "is nan."),
        ("source.yaml", "beta: 0.05", "beta: .inf", "is inf."),
        ("source.yaml", "beta: 0.05", "beta: 0,05", "is the text '0,05'."),
        ("source.yaml", "2026-10-05", "2026-02-30", "is the text '2026-02-30'."),
        ("source.yaml", "2026-10-05", "5.10.2026", "Write a day as year-month-day"),
        ("network.yaml", "at_most: 5", "at_most: 020", "'020'"),
        ("network.yaml", "at_most: 5", "at_most: 1:30", "'1:30'"),
    ],
)
def test_nothing_is_read_as_another_number(
    tmp_path: Path, name: str, old: str, new: str, words: str
) -> None:
    read, text = YAML[name]
    assert old in text
    path = tmp_path / name
    path.write_text(text.replace(old, new), "utf-8")
    with pytest.raises(InputError) as caught:
        read(path)
    assert words in str(caught.value)
    assert all(fault.line for fault in caught.value.faults)


def test_a_country_that_reads_like_no_stays_a_text(tmp_path: Path) -> None:
    read, text = YAML["source.yaml"]
    path = tmp_path / "source.yaml"
    path.write_text(text.replace("declared_by: Ilze Ozola", "declared_by: NO"), "utf-8")
    assert read(path).declared_by == "NO"
