"""Reading whole workspaces: what comes out, where it was said, and files of other kinds."""

import shutil
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest

from bulkflow.errors import InputError
from bulkflow.scenario import read_workspace
from bulkflow.scenario.model import LotStatus
from tests.scenario.broken import COAST, edited, said

SCENARIOS = Path(__file__).parents[2] / "scenarios"
READY_MADE = sorted(path.parent for path in SCENARIOS.glob("*/scenario.yaml"))


def test_coast_is_read_whole() -> None:
    scenario = read_workspace(COAST).scenario
    assert [len(scenario.demand), len(scenario.lots), len(scenario.loads)] == [3, 2, 3]
    assert scenario.demand[1].lpa == 5200.5
    assert scenario.demand[2].cases == 900.0
    lot = scenario.lots[1]
    assert lot.status is LotStatus.AWAITING
    assert lot.decision_due == date(2027, 1, 12)
    assert lot.restrictions == ("ISLES",)
    assert lot.note == "second sitting,\nfresh samples"
    assert lot.lpa == pytest.approx(9000 * 0.819)
    assert scenario.loads[0].supplier == "MILLTOWN"
    assert scenario.issued_loads[0].loads == 1


@pytest.mark.parametrize("folder", READY_MADE, ids=lambda path: path.name)
def test_ready_made_workspaces_have_no_fault(folder: Path) -> None:
    workspace = read_workspace(folder)
    assert workspace.scenario.demand
    assert workspace.sources.record("sites", workspace.scenario.sites[0].id).line > 0


def test_ready_made_workspaces_are_found() -> None:
    assert {"vejkalna", "two_sites"} <= {folder.name for folder in READY_MADE}


class TestSources:
    @pytest.fixture
    def sources(self):
        return read_workspace(COAST).sources

    @staticmethod
    def line_of(name: str, text: str) -> int:
        lines = (COAST / name).read_text("utf-8").split("\n")
        return 1 + next(number for number, line in enumerate(lines) if text in line)

    def test_field(self, sources) -> None:
        place = sources.place("lanes[1].legs[0].guarantee")
        assert str(place) == f"scenario.yaml, line {self.line_of('scenario.yaml', 'guarantee: M')}"
        assert place.where == "lanes[1].legs[0].guarantee"

    def test_field_left_out_is_where_its_record_is(self, sources) -> None:
        place = sources.place("lanes[1].payload_limit_kg")
        assert place.line == self.line_of("scenario.yaml", "  - id: sea")

    def test_record(self, sources) -> None:
        assert sources.path_of("lanes", "sea") == "lanes[1]"
        assert sources.record("lanes", "sea").line == self.line_of("scenario.yaml", "- id: sea")

    def test_cell(self, sources) -> None:
        place = sources.place("demand[2].product")
        assert (place.file, place.line, place.where) == ("demand.csv", 4, "product_id")

    def test_row(self, sources) -> None:
        assert str(sources.record("lots", "C-2")) == "opening_lots.csv, line 3"
        assert sources.place("lots[1]").where == ""

    def test_unknown_record(self, sources) -> None:
        with pytest.raises(KeyError):
            sources.record("lanes", "air")


class TestDatabase:
    def test_named_file_lies_in_the_folder(self) -> None:
        url = read_workspace(COAST).database_url
        assert url == f"sqlite:///{(COAST / 'spirits.sqlite').resolve()}"

    @pytest.mark.parametrize(
        ("line", "url"),
        [
            ("", "sqlite:///{folder}/records.sqlite"),
            ("database: sqlite:///kept/r.sqlite", "sqlite:///{folder}/kept/r.sqlite"),
            ("database: 'sqlite:///:memory:'", "sqlite:///:memory:"),
            ("database: postgresql://ann:pw@host/lots", "postgresql://ann:pw@host/lots"),
        ],
    )
    def test_address(self, tmp_path: Path, line: str, url: str) -> None:
        folder = edited(tmp_path, ("scenario.yaml", "database: spirits.sqlite", line))
        workspace = read_workspace(folder)
        assert workspace.database_url == url.format(folder=folder.resolve())
        assert "pw" not in repr(workspace)


class TestFolders:
    def test_no_folder(self, tmp_path: Path) -> None:
        missing = tmp_path / "none"
        assert said(missing) == [
            f"{missing}: is not a folder. Give the folder of a workspace, which holds"
            " scenario.yaml."
        ]

    def test_no_scenario(self, tmp_path: Path) -> None:
        assert said(tmp_path) == ["scenario.yaml: does not exist. Create it, or correct its name."]

    def test_scenario_is_a_folder(self, tmp_path: Path) -> None:
        (tmp_path / "scenario.yaml").mkdir()
        assert said(tmp_path) == ["scenario.yaml: is not a plain file. Put a file there."]

    def test_huge_scenario(self, tmp_path: Path) -> None:
        (tmp_path / "scenario.yaml").write_text("#" * 4_000_001, "utf-8")
        assert said(tmp_path) == [
            "scenario.yaml: has 4,000,001 bytes. At most 4,000,000 are read; take out what is not"
            " needed."
        ]

    def test_table_linked_from_outside(self, tmp_path: Path) -> None:
        folder = edited(tmp_path)
        outside = tmp_path / "prices.csv"
        shutil.move(folder / "prices.csv", outside)
        (folder / "prices.csv").symlink_to(outside)
        assert said(folder) == [
            "scenario.yaml, line 2: tables.prices is the text 'prices.csv', outside the workspace."
            " Tables lie in the workspace's folder; copy the file there."
        ]

    def test_table_with_an_impossible_name(self, tmp_path: Path) -> None:
        name = "p" * 300 + ".csv"
        named = ("scenario.yaml", "database:", f"tables: {{prices: {name}}}\ndatabase:")
        assert said(edited(tmp_path, named)) == [
            f"scenario.yaml, line 5: tables.prices is the text '{'p' * 37}...', which does not"
            " exist. Put the file there, or correct its name."
        ]

    def test_table_linked_to_itself(self, tmp_path: Path) -> None:
        named = ("scenario.yaml", "database:", "tables: {prices: round.csv}\ndatabase:")
        folder = edited(tmp_path, named)
        (folder / "round.csv").symlink_to("round.csv")
        assert said(folder) == [
            "scenario.yaml, line 5: tables.prices is the text 'round.csv', which does not exist."
            " Put the file there, or correct its name."
        ]

    def test_two_files_for_one_table(self, tmp_path: Path) -> None:
        folder = edited(tmp_path, ("prices.xlsx", "", "x"))
        assert said(folder) == [
            "prices.csv: is one of 2 files for the table prices: prices.csv and prices.xlsx. Keep"
            " one, or say which under tables ('prices: prices.csv')."
        ]

    def test_one_of_two_files_is_named(self, tmp_path: Path) -> None:
        named = ("scenario.yaml", "database:", "tables: {prices: prices.csv}\ndatabase:")
        folder = edited(tmp_path, ("prices.xlsx", "", "x"), named)
        assert read_workspace(folder).scenario == read_workspace(COAST).scenario

    def test_table_in_a_folder_below(self, tmp_path: Path) -> None:
        named = ("scenario.yaml", "database:", "tables: {prices: kept/now.csv}\ndatabase:")
        folder = edited(tmp_path, named)
        (folder / "kept").mkdir()
        shutil.move(folder / "prices.csv", folder / "kept" / "now.csv")
        workspace = read_workspace(folder)
        assert workspace.scenario == read_workspace(COAST).scenario
        assert str(workspace.sources.place("prices[0]")) == "kept/now.csv, line 2"


class TestEncodings:
    @pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
    @pytest.mark.parametrize("name", ["scenario.yaml", "opening_lots.csv"])
    def test_read(self, tmp_path: Path, encoding: str, name: str) -> None:
        edits = [
            ("scenario.yaml", "Kroga distillery", "Kroga spirta rūpnīca"),
            ("opening_lots.csv", "second sitting", "otrā degustācija €"),
        ]
        folder = edited(tmp_path, *edits)
        path = folder / name
        path.write_bytes(path.read_text("utf-8").encode(encoding))
        scenario = read_workspace(folder).scenario
        assert scenario.sites[0].name == "Kroga spirta rūpnīca"
        assert scenario.lots[1].note == "otrā degustācija €,\nfresh samples"

    @pytest.mark.parametrize(
        ("encoding", "words"),
        [
            ("cp1252", ", line 3: is not UTF-8 (byte 0x80)."),
            ("utf-32", ": is encoded as UTF-32."),
            ("utf-16-le", ": holds zero bytes, as UTF-16 without its mark or a binary file does."),
        ],
    )
    def test_refused(self, tmp_path: Path, encoding: str, words: str) -> None:
        folder = edited(tmp_path, ("opening_lots.csv", "second sitting", "€"))
        path = folder / "opening_lots.csv"
        path.write_bytes(path.read_text("utf-8").encode(encoding))
        assert said(folder) == [
            f"opening_lots.csv{words} Save it as UTF-8 (a spreadsheet offers 'CSV UTF-8')."
        ]

    def test_half_a_utf16_file(self, tmp_path: Path) -> None:
        folder = edited(tmp_path)
        path = folder / "prices.csv"
        path.write_bytes(path.read_text("utf-8").encode("utf-16")[:-1])
        assert said(folder)[0].startswith("prices.csv: is UTF-16 by its mark, but broken at byte")

    def test_binary_scenario(self, tmp_path: Path) -> None:
        (tmp_path / "scenario.yaml").write_bytes(b"SQLite format 3\x00" + bytes(200))
        assert said(tmp_path)[0].startswith("scenario.yaml: holds zero bytes")


class TestSeparators:
    def semicolons(self, text: str) -> str:
        return text.replace(",", ";").replace(".", ",")

    def test_semicolons_with_decimal_comma(self, tmp_path: Path) -> None:
        folder = edited(tmp_path)
        for name in ("demand.csv", "exchange_rates.csv", "prices.csv", "loads.csv"):
            path = folder / name
            path.write_text(self.semicolons(path.read_text("utf-8")), "utf-8")
        assert read_workspace(folder).scenario == read_workspace(COAST).scenario

    def test_semicolons_with_a_clear_point(self, tmp_path: Path) -> None:
        folder = edited(tmp_path)
        path = folder / "exchange_rates.csv"
        path.write_text(path.read_text("utf-8").replace(",", ";"), "utf-8")
        assert read_workspace(folder).scenario.exchange_rates[0].rate == 0.085

    @pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
    def test_line_endings_blank_rows_and_spaces(self, tmp_path: Path, ending: str) -> None:
        folder = edited(tmp_path)
        path = folder / "prices.csv"
        lines = ["", *path.read_text("utf-8").split("\n"), " , ,,", "", ""]
        text = ending.join(lines).replace("GRAIN", '" GRAIN "')
        path.write_bytes(text.encode())
        workspace = read_workspace(folder)
        assert workspace.scenario == read_workspace(COAST).scenario
        assert workspace.sources.place("prices[0]").line == 3

    def test_columns_of_the_register_are_passed_over(self, tmp_path: Path) -> None:
        folder = edited(tmp_path)
        path = folder / "opening_lots.csv"
        text = path.read_text("utf-8").replace("restrictions,note", "restrictions,note,stage")
        text = text.replace("MILLTOWN,,", "MILLTOWN,,,vatted").replace(
            'samples"', 'samples",vatted'
        )
        path.write_text(text, "utf-8")
        assert read_workspace(folder).scenario == read_workspace(COAST).scenario

    def test_restrictions_by_semicolon_as_by_bar(self, tmp_path: Path) -> None:
        more = ("scenario.yaml", "priorities:", "  - {id: MAINLAND}\npriorities:")
        wants = ("ISLES", "MAINLAND")
        for number, written in enumerate(("ISLES|MAINLAND", '"ISLES; MAINLAND"')):
            lots = ("opening_lots.csv", "MILLTOWN,ISLES,", f"MILLTOWN,{written},")
            folder = edited(tmp_path / str(number), more, lots)
            assert read_workspace(folder).scenario.lots[1].restrictions == wants


def test_an_input_error_carries_every_fault(tmp_path: Path) -> None:
    folder = edited(tmp_path, ("prices.csv", "GRAIN", "GRAINS"), ("demand.csv", "5200.5", "x"))
    with pytest.raises(InputError) as caught:
        read_workspace(folder)
    assert [(fault.file, fault.line, fault.where) for fault in caught.value.faults] == [
        ("demand.csv", 3, "lpa"),
        ("prices.csv", 2, "liquid_id"),
    ]


def test_reading_imports_no_solver_and_no_frames() -> None:
    code = (
        "import sys; from pathlib import Path; from bulkflow.scenario import read_workspace;"
        f"read_workspace(Path({str(COAST)!r}));"
        "print(sorted({'pandas', 'pulp', 'highspy', 'openpyxl', 'networkx'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
