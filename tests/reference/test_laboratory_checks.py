"""Every row of the laboratory checks, through the public functions; its source is in the table."""

from pathlib import Path

import pytest

from tests.reference.laboratory_checks import TABLE, Row, judge, main, read

ROWS = read(TABLE)
MORE = read(TABLE.with_name("laboratory_more_checks.csv"))


@pytest.mark.parametrize("row", [*ROWS, *MORE], ids=[row.id for row in (*ROWS, *MORE)])
def test_published_and_computed_rows(row: Row) -> None:
    verdict, reason = judge(row)
    assert verdict == "ok", reason


def test_every_row_names_its_source_and_basis() -> None:
    assert [row.id for row in (*ROWS, *MORE) if not row.source or not row.basis] == []
    assert len({row.id for row in (*ROWS, *MORE)}) == len(ROWS) + len(MORE)


def test_a_wrong_figure_is_reported_and_the_exit_code_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = TABLE.read_text("utf-8").splitlines()
    wrong = next(line for line in text if line.startswith("LAB-U01,")).replace(",5.0,", ",5.1,")
    right = next(line for line in text if line.startswith("LAB-L02,"))
    prose = "PROSE,colour of the cap,,1,,0,nobody,from memory"
    table = tmp_path / "checks.csv"
    table.write_text("\n".join([text[0], wrong, prose, right]), "utf-8")
    assert main([str(table)]) == 1
    assert capsys.readouterr().out.split("\n")[:3] == [
        "LAB-U01 FAIL",
        "PROSE not asked",
        "LAB-L02 ok",
    ]
