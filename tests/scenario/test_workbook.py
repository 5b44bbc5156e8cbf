"""Tables in workbooks: the same values as in CSV, and the same precise faults."""

import csv
import zipfile
from datetime import date, datetime, time
from pathlib import Path

import pytest
from openpyxl import Workbook, load_workbook

from bulkflow.scenario import read_workspace
from tests.scenario.broken import COAST, edited, said

HEADER = ["site_id", "period_start", "liquid_id", "lpa", "priority_id"]
ROW = ["QUAY", date(2027, 1, 4), "DRY", 5200.5, "core"]


def with_sheet(folder: Path, rows: list[list[object]], *, sheet: str = "demand") -> Path:
    workspace = edited(folder)
    (workspace / "demand.csv").unlink()
    book = Workbook()
    book.active.title = sheet
    for row in rows:
        book.active.append(row)
    book.save(workspace / "demand.xlsx")
    return workspace


def typed(text: str) -> object:
    """Give a cell of a CSV file the type a person's spreadsheet gives it."""
    for convert in (int, float, date.fromisoformat):
        try:
            return convert(text)
        except ValueError:
            continue
    return text or None


def test_every_table_reads_from_one_workbook_as_from_csv(tmp_path: Path) -> None:
    workspace = edited(tmp_path)
    book = Workbook()
    named = []
    for path in sorted(workspace.glob("*.csv")):
        sheet = book.create_sheet(path.stem.title())
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.reader(file):
                sheet.append([typed(cell) for cell in row])
        named.append(f"  {path.stem}: all.xlsx#{path.stem.title()}")
        path.unlink()
    book.save(workspace / "all.xlsx")
    scenario = workspace / "scenario.yaml"
    scenario.write_text(scenario.read_text("utf-8") + "\n".join(["tables:", *named, ""]), "utf-8")
    read = read_workspace(workspace)
    assert read.scenario == read_workspace(COAST).scenario
    assert str(read.sources.record("lots", "C-2")) == "all.xlsx, sheet Opening_Lots, line 3"
    assert read.sources.place("lots[1].tank").where == "tank_id (D)"


def test_faults_name_sheet_row_and_column(tmp_path: Path) -> None:
    rows = [
        HEADER,
        ["QUAI", date(2027, 1, 4), "DRY", -1, "core"],
        [],
        ["QUAY", date(2027, 6, 1), "DRY", 5, "cor"],
    ]
    assert said(with_sheet(tmp_path, rows, sheet="Orders")) == [
        "demand.xlsx, sheet Orders, line 2: lpa (D) is -1. It is 0 or more.",
        "demand.xlsx, sheet Orders, line 4: period_start (B) is 2027-06-01, after the horizon ends."
        " Give a day from 2027-01-04 to 2027-02-14, or take the row out.",
        "demand.xlsx, sheet Orders, line 4: priority_id (E) is 'cor', which is no priority. Did you"
        " mean core?",
    ]


@pytest.mark.parametrize(
    ("column", "cell", "words"),
    [
        (3, "5200", "lpa (D) is the text '5200'. Make the cell a number, without a unit."),
        (3, "5,2", "lpa (D) is the text '5,2'. Make the cell a number, without a unit."),
        (3, True, "lpa (D) is the word 'true'. Make the cell a number, without a unit."),
        (
            3,
            date(2027, 1, 4),
            "lpa (D) is the date or time 2027-01-04 00:00:00. Make the cell a number, without a"
            " unit.",
        ),
        (3, "#N/A", "lpa (D) is the error #N/A. Mend the formula, or write the value."),
        (
            3,
            "=2600*2",
            "lpa (D) is a formula without a saved value. Open the workbook in a spreadsheet and"
            " save it, or write the value itself.",
        ),
        (
            1,
            46391,
            "period_start (B) is 46391. Write a day as year-month-day, such as 2027-01-04.",
        ),
        (
            1,
            "4.1.2027",
            "period_start (B) is the text '4.1.2027'. Write a day as year-month-day, such as"
            " 2027-01-04.",
        ),
        (
            1,
            datetime(2027, 1, 4, 8, 30),  # noqa: DTZ001 - a cell has no zone
            "period_start (B) is 2027-01-04 08:30. Give a day without a time of day.",
        ),
        (
            1,
            time(8, 30),
            "period_start (B) is the date or time 08:30:00. Write a day as year-month-day, such as"
            " 2027-01-04.",
        ),
        (0, 1.5, "site_id (A) is 1.5. Make the cell a text."),
        (0, False, "site_id (A) is the word 'false'. Make the cell a text."),
        (0, None, "site_id (A) is empty. Every row needs it."),
    ],
)
def test_cell_is_refused(tmp_path: Path, column: int, cell: object, words: str) -> None:
    row = list(ROW)
    row[column] = cell
    workspace = with_sheet(tmp_path, [HEADER, row])
    assert said(workspace) == [f"demand.xlsx, sheet demand, line 2: {words}"]


def test_a_text_that_looks_like_a_formula_is_refused(tmp_path: Path) -> None:
    workspace = with_sheet(tmp_path, [HEADER, ROW])
    book = load_workbook(workspace / "demand.xlsx")
    cell = book.active["A2"]
    cell.value = "=QUAY"
    cell.data_type = "s"
    book.save(workspace / "demand.xlsx")
    assert said(workspace) == [
        "demand.xlsx, sheet demand, line 2: site_id (A) starts with '=', as a formula does. Write"
        " the value itself; a table is never computed."
    ]


def rewritten(path: Path, name: str, old: str, new: str) -> None:
    """Change a part of a workbook as a spreadsheet would have written it."""
    with zipfile.ZipFile(path) as packed:
        parts = {item: packed.read(item) for item in packed.namelist()}
    assert old.encode() in parts[name]
    parts[name] = parts[name].replace(old.encode(), new.encode())
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for item, data in parts.items():
            packed.writestr(item, data)


SHEET = "xl/worksheets/sheet1.xml"


def test_a_formula_counts_with_its_saved_value(tmp_path: Path) -> None:
    workspace = with_sheet(tmp_path, [HEADER, ["QUAY", date(2027, 1, 4), "DRY", "=2600*2", "core"]])
    rewritten(workspace / "demand.xlsx", SHEET, "<v />", "<v>5200</v>")
    assert read_workspace(workspace).scenario.demand[0].lpa == 5200.0


def test_days_as_iso_text_and_ids_as_numbers(tmp_path: Path) -> None:
    row = ["QUAY", "2027-01-04", "DRY", 7, 12]
    workspace = with_sheet(tmp_path, [HEADER, row])
    scenario = workspace / "scenario.yaml"
    text = scenario.read_text("utf-8").replace("{id: core,", "{id: '12',")
    scenario.write_text(text, "utf-8")
    demand = read_workspace(workspace).scenario.demand
    assert (demand[0].period_start, demand[0].priority) == (date(2027, 1, 4), "12")


def test_days_in_a_workbook_that_counts_from_1904(tmp_path: Path) -> None:
    workspace = with_sheet(tmp_path, [HEADER, ROW])
    path = workspace / "demand.xlsx"
    rewritten(path, "xl/workbook.xml", "<workbookPr />", '<workbookPr date1904="1" />')
    days = (date(2027, 1, 4) - date(1904, 1, 1)).days
    rewritten(
        path, SHEET, f"<v>{(date(2027, 1, 4) - date(1899, 12, 30)).days}</v>", f"<v>{days}</v>"
    )
    assert read_workspace(workspace).scenario.demand[0].period_start == date(2027, 1, 4)


def test_header_may_start_lower_down_and_rows_may_be_short(tmp_path: Path) -> None:
    rows = [[], [], HEADER, ["QUAY", date(2027, 1, 4), "DRY", 7], [None] * 5, [" "]]
    demand = read_workspace(with_sheet(tmp_path, rows)).scenario.demand
    assert [row.lpa for row in demand] == [7.0]
    assert demand[0].priority is None


def test_value_beyond_the_header(tmp_path: Path) -> None:
    workspace = with_sheet(tmp_path, [HEADER, [*ROW, None, "late"]])
    assert said(workspace) == [
        "demand.xlsx, sheet demand, line 2: has a value in column G, which has no name. Name the"
        " column or clear it."
    ]


def test_column_names_are_checked_with_their_letters(tmp_path: Path) -> None:
    workspace = with_sheet(tmp_path, [[*HEADER, "markt_id", "lpa"], [*ROW, "ISLES", 1]])
    assert said(workspace) == [
        "demand.xlsx, sheet demand, line 1: lpa (G) is the name of two columns. Keep one of them.",
        "demand.xlsx, sheet demand, line 1: markt_id (F) is not a column known here. Did you mean"
        " market_id?",
    ]


class TestSheets:
    def book(self, folder: Path, *sheets: str, named: str | None = None) -> Path:
        workspace = with_sheet(folder, [HEADER, ROW], sheet=sheets[0])
        book = load_workbook(workspace / "demand.xlsx")
        for sheet in sheets[1:]:
            book.create_sheet(sheet)
        book.save(workspace / "demand.xlsx")
        if named:
            scenario = workspace / "scenario.yaml"
            text = scenario.read_text("utf-8") + f"tables: {{demand: '{named}'}}\n"
            scenario.write_text(text, "utf-8")
        return workspace

    def test_the_sheet_of_the_tables_name(self, tmp_path: Path) -> None:
        assert (
            read_workspace(self.book(tmp_path, "demand", "notes")).scenario.demand[0].lpa == 5200.5
        )

    def test_a_named_sheet(self, tmp_path: Path) -> None:
        workspace = self.book(tmp_path, "Week plan", "notes", named="demand.xlsx#Week plan")
        assert read_workspace(workspace).scenario.demand[0].lpa == 5200.5

    def test_no_telling_which(self, tmp_path: Path) -> None:
        assert said(self.book(tmp_path, "plan", "notes")) == [
            "demand.xlsx: has 2 sheets and none is called demand. Call the one to be read"
            " demand; a table of a workspace may be named under tables, such as demand:"
            " demand.xlsx#plan."
        ]

    def test_no_such_sheet(self, tmp_path: Path) -> None:
        workspace = self.book(tmp_path, "plan", "notes", named="demand.xlsx#plans")
        assert said(workspace) == ["demand.xlsx: has no sheet 'plans'. Did you mean plan?"]

    def test_empty_sheet(self, tmp_path: Path) -> None:
        workspace = self.book(tmp_path, "plan", "notes", named="demand.xlsx#notes")
        assert said(workspace) == [
            "demand.xlsx, sheet notes: is empty. Start it with a row of column names, or leave the"
            " table out."
        ]


BROKEN = [
    "demand.xlsx: cannot be read as a workbook. Save it again as a workbook (.xlsx), or as CSV"
    " UTF-8."
]


class TestBrokenFiles:
    @pytest.mark.parametrize("data", [b"", b"site_id,lpa\n", b"PK\x03\x04 and then nothing"])
    def test_no_workbook(self, tmp_path: Path, data: bytes) -> None:
        workspace = with_sheet(tmp_path, [HEADER, ROW])
        (workspace / "demand.xlsx").write_bytes(data)
        assert said(workspace) == BROKEN

    def test_some_other_packed_file(self, tmp_path: Path) -> None:
        workspace = with_sheet(tmp_path, [HEADER, ROW])
        with zipfile.ZipFile(workspace / "demand.xlsx", "w") as packed:
            packed.writestr("hello.txt", "hello")
        assert said(workspace) == BROKEN

    def test_a_sheet_that_is_no_xml(self, tmp_path: Path) -> None:
        workspace = with_sheet(tmp_path, [HEADER, ROW])
        rewritten(workspace / "demand.xlsx", SHEET, "</row>", "<row>")
        assert said(workspace) == BROKEN

    def test_entities_are_not_multiplied(self, tmp_path: Path) -> None:
        workspace = with_sheet(tmp_path, [HEADER, ROW])
        levels = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 12))
        bomb = f'<!DOCTYPE w [<!ENTITY l0 "lol">{levels}]><worksheet'
        rewritten(workspace / "demand.xlsx", SHEET, "<worksheet", bomb)
        rewritten(workspace / "demand.xlsx", SHEET, "<v>5200.5</v>", "<v>&l11;</v>")
        assert said(workspace) == BROKEN

    @pytest.mark.full
    def test_packed_zeros(self, tmp_path: Path) -> None:
        workspace = with_sheet(tmp_path, [HEADER, ROW])
        with zipfile.ZipFile(workspace / "demand.xlsx", "a", zipfile.ZIP_DEFLATED) as packed:
            packed.writestr("xl/filler.bin", bytes(301_000_000))
        lines = said(workspace)
        assert len(lines) == 1
        assert lines[0].startswith("demand.xlsx: unpacks to 30")
        assert lines[0].endswith("At most 300,000,000 are read; take out what is not needed.")
