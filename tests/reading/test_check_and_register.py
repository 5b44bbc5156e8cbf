"""The register takes what ``check`` takes, and nothing else, in whatever form it is written."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from bulkflow.cli import app
from bulkflow.cli.shell import ExitCode, run
from bulkflow.errors import InputError
from bulkflow.scenario import read_workspace
from tests.reading.test_every_kind_of_file import typed
from tests.scenario.broken import edited

LOTS = "opening_lots.csv"


@pytest.fixture(autouse=True)
def plain_surroundings(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("BULKFLOW_DATABASE", raising=False)
    monkeypatch.setenv("COLUMNS", "200")


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str]) -> Iterator[object]:
    def bulkflow(*words: object) -> tuple[int, str, str]:
        code = run(app, [str(word) for word in words], name="bulkflow")
        return int(code), *capsys.readouterr()

    return bulkflow


def as_workbook(folder: Path, name: str, sheet: str) -> None:
    from openpyxl import Workbook

    book = Workbook()
    book.active.title = "notes"
    page = book.create_sheet(sheet)
    with (folder / LOTS).open(encoding="utf-8", newline="") as file:
        for row in csv.reader(file):
            page.append([typed(cell) for cell in row])
    book.save(folder / name)
    (folder / LOTS).unlink()


def made(folder: Path, form: str) -> Path:
    workspace = edited(folder)
    if form == "utf-16":
        path = workspace / LOTS
        path.write_bytes(path.read_text("utf-8").encode("utf-16"))
    elif form == "workbook":
        as_workbook(workspace, "opening_lots.xlsx", "opening_lots")
    elif form == "named sheet":
        as_workbook(workspace, "stock.xlsx", "Tanks")
        scenario = workspace / "scenario.yaml"
        named = "\ntables: {opening_lots: 'stock.xlsx#Tanks'}\n"
        scenario.write_text(scenario.read_text("utf-8") + named, "utf-8")
    return workspace


@pytest.mark.parametrize("form", ["csv", "utf-16", "workbook", "named sheet"])
def test_opening_lots_that_pass_check_begin_the_register(
    command, tmp_path: Path, form: str
) -> None:
    folder = made(tmp_path, form)
    code, _, err = command("check", folder)
    assert code in (ExitCode.DONE, ExitCode.NO_PLAN), err
    code, out, err = command("lots", "begin", folder)
    assert code == 0, err
    assert "Took over 2 opening lots" in out
    code, out, _ = command("lots", "list", folder)
    assert "C-1" in out and "C-2" in out
    # Nothing has been edited since, in whatever form it lies there.
    _, _, err = command("check", folder)
    assert "edited" not in err and "came after" not in err


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("C-1,CORE", "C<1>,CORE", "lot_id is the text 'C<1>'. Start with a letter or digit"),
        (",20000,", ",20000.0001,", "litres_20c is 20000.0001. Give at most three decimals."),
        ("restrictions,note", "restrictions,stage", "C-2 is"),
    ],
)
def test_check_refuses_what_the_register_would(
    command, tmp_path: Path, old: str, new: str, words: str
) -> None:
    folder = edited(tmp_path, (LOTS, old, new))
    seen = []
    for line in (("check", folder), ("lots", "begin", folder)):
        code, _, err = command(*line)
        seen.append((code, [one for one in err.splitlines() if one.startswith(LOTS)]))
    assert seen[0] == seen[1]
    if words != "C-2 is":
        assert seen[0][0] == 2 and words in seen[0][1][0]


@pytest.mark.parametrize("cell", ["8.750", "20.000"])
def test_an_ambiguous_amount_enters_nothing(command, tmp_path: Path, cell: str) -> None:
    folder = edited(tmp_path)
    text = (folder / LOTS).read_text("utf-8").replace(",", ";").replace(";20000;", f";{cell};")
    text = text.replace("82.1", "82,1").replace("81.9", "81,9").replace("sitting;", "sitting,")
    (folder / LOTS).write_text(text, "utf-8")
    for line in (("check", folder), ("lots", "begin", folder), ("plan", folder)):
        code, _, err = command(*line)
        assert code == 2
        assert f"litres_20c is the text '{cell}', which can be read in two ways." in err
    assert "C-1" not in command("lots", "list", folder)[1]


def test_a_folder_that_may_not_be_looked_into_is_told(
    command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = edited(tmp_path)

    def locked(self: Path) -> None:
        raise PermissionError(13, os.strerror(13), str(self))

    monkeypatch.setattr(Path, "iterdir", locked)
    with pytest.raises(InputError, match=r"coast: cannot be looked into \(Permission denied\)\."):
        read_workspace(folder)
    code, _, err = command("check", folder)
    assert code == 2
    assert "Traceback" not in err
