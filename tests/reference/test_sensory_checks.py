"""Every row of the sensory checks, through the public functions; its source is in the table."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.reference.sensory.rows import Row, agrees, parse_inputs, read
from tests.reference.sensory_checks import DATA, TABLE, judge, main

ROWS = read(TABLE, DATA)
MORE = read(TABLE.with_name("sensory_more_checks.csv"), DATA)

# Facts in prose: nothing computes them. Everything else must be asked.
PROSE = {
    "ALGA-bd",  # "about 30 %" in a manual; Huber's formula gives 25.7 %
    "PREP-20",
    "PREP-range",
    "PREP-glass",
    "PREP-room-lo",
    "PREP-room-hi",
    "PREP-max",
    "N-duo-diff",
    "N-duo-sim",
    "N-rank",
    "N-hed",
    "N-sim30",
    "PEL",
}


@pytest.mark.parametrize("row", ROWS, ids=[row.id for row in ROWS])
def test_published_and_computed_rows(row: Row) -> None:
    verdict, reason = judge(row)
    assert verdict == ("not asked" if row.id in PROSE else "ok"), reason


@pytest.mark.parametrize("row", MORE, ids=[row.id for row in MORE])
def test_other_rows_of_the_same_kinds(row: Row) -> None:
    verdict, reason = judge(row)
    assert verdict == "ok", reason


def test_every_row_names_its_source_and_basis() -> None:
    assert [row.id for row in (*ROWS, *MORE) if not row.source or not row.basis] == []
    assert len({row.id for row in (*ROWS, *MORE)}) == len(ROWS) + len(MORE)


def test_a_wrong_figure_is_reported_and_the_exit_code_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = TABLE.read_text("utf-8").splitlines()
    wrong = next(line for line in text if line.startswith("TRI-30-0.05,")).replace(",15,", ",14,")
    prose = next(line for line in text if line.startswith("PEL,"))
    right = next(line for line in text if line.startswith("TRI-30-0.01,"))
    table = tmp_path / "checks.csv"
    table.write_text("\n".join([text[0], wrong, prose, right]), "utf-8")
    assert main([str(table)]) == 1
    assert capsys.readouterr().out.split("\n")[:3] == [
        "TRI-30-0.05 FAIL",
        "PEL not asked",
        "TRI-30-0.01 ok",
    ]


@pytest.mark.full
def test_the_data_folder_can_be_given(tmp_path: Path) -> None:
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    shutil.copy(DATA / "copper_24.csv", folder / "other_name.csv")
    table = tmp_path / "checks.csv"
    table.write_text(
        "id,quantity,inputs,expected,unit,tolerance,source,basis\n"
        "X,median of the results,file=other_name.csv,3.385,ppm,1e-9,test,computed\n",
        "utf-8",
    )
    command = [sys.executable, "-m", "tests.reference.sensory_checks", str(table)]
    done = subprocess.run(
        [*command, "--data", str(folder)],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[2],
    )
    assert (done.returncode, done.stdout) == (0, "X ok\n"), done.stderr


def test_the_comparison_is_strict() -> None:
    row = next(row for row in ROWS if row.id == "TRI-3-0.01")
    assert agrees(row, None)
    assert not agrees(row, 3)
    exact = next(row for row in ROWS if row.id == "TRI-30-0.05")
    assert agrees(exact, 15)
    assert not agrees(exact, 15.0001)
    assert not agrees(exact, float("nan"))
    assert parse_inputs("a=1;B=x,y") == {"a": "1", "B": "x,y", "b": "x,y"}
