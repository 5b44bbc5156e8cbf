"""Every published value, through the public functions, and the runner itself."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.reference.alcoholometry_checks import TABLE, Row, agrees, compute, judge, read

ROWS = read(TABLE)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.id)
def test_row(row: Row) -> None:
    value = compute(row)
    assert agrees(row, value), f"{row.quantity} ({row.inputs}) gives {value!r}; {row.source}"


def test_the_table_is_whole() -> None:
    assert [row.id for row in ROWS] == [f"ALC-{number:03d}" for number in range(1, 99)]
    assert all(row.source and row.basis for row in ROWS)
    # Tests at 20 degC or with pure liquids cannot see a wrong C table: enough rows are neither.
    telling = [
        row
        for row in ROWS
        if row.quantity == "density_vacuum"
        and "t_C=20" not in row.inputs
        and row.inputs[:4] not in {"p=0;", "p=1;"}
    ]
    assert len(telling) >= 12


def made(quantity: str, inputs: str, expected: float, tolerance: float) -> Row:
    return Row("X", quantity, inputs, expected, "", tolerance, "", "")


# The same quantities asked in other ways; each value follows from a row of the table.
OTHER_WAYS = [
    made("density_vacuum", "mass_pct=31;t_F=55.4", 956.42, 0.01),  # ALC-003
    made("density_vacuum", "abv20=96;t_C=10", 816.02, 0.005),  # ALC-033
    made("abv20_from_alcoholometer", "reading=40;t_F=77;glass_beta=0.000025", 37.99, 0.02),  # 083
    made("true_proof_from_hydrometer", "reading=193;t_F=75", 189.5, 0.1),  # ALC-050
    made("max_fill_pct", "rule=IMDG TP1;alpha=0.00115;tf_C=20", 93.77, 0.01),  # ALC-092
    made("mean_cubic_expansion_15_50", "d15=811.73;d50=780.9", 0.001128, 1e-6),  # anchor, 96 %
    made("litres_pure_alcohol_20C", "litres=30000;t_C=32;abv20=96", 28427.4, 0.5),  # ALC-087 x 0.96
    made("water_volumes_to_make_100", "abv60_from=90;abv60_to=70;t_F=60", 24.16, 0.06),  # ALC-073
    made("specific_gravity_air_60F_60F", "abv60=30", 0.9653, 0.00015),  # ALC-065
]


@pytest.mark.parametrize("row", OTHER_WAYS, ids=lambda row: f"{row.quantity} {row.inputs}")
def test_the_same_quantity_in_other_units(row: Row) -> None:
    assert judge(row) == ("ok", "")


def test_what_a_row_may_not_ask() -> None:
    assert judge(made("viscosity", "p=1", 1.2, 1.0))[0] == "not asked"
    verdict, reason = judge(made("density_vacuum", "p=1;t_C=20;pressure=3", 789.24, 0.01))
    assert (verdict, reason) == ("not asked", "input pressure is not part of the calculation")
    verdict, reason = judge(made("density_vacuum", "p=1;t_C=60", 755.0, 1.0))
    assert verdict == "FAIL"
    assert "temperature is 60 degC; the formula holds from -20 to 40 degC" in reason
    assert judge(made("density_vacuum", "p=1;t_C=20", float("nan"), 1.0))[0] == "FAIL"


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "tests.reference.alcoholometry_checks", *arguments]
    root = Path(__file__).resolve().parents[2]
    return subprocess.run(command, capture_output=True, text=True, check=False, cwd=root)


def test_the_runner_prints_a_verdict_a_row(tmp_path: Path) -> None:
    table = tmp_path / "some.csv"
    table.write_text(
        "id,quantity,inputs,expected,unit,tolerance,source,basis\n"
        "A,density_vacuum,p=0.5;t_C=20,913.771,kg/m3,0.005,formula,computed\n"
        "B,density_vacuum,p=0.5;t_C=20,913.871,kg/m3,0.005,spoiled,computed\n"
        "C,boiling_point,p=0.5,82,degC,1,not ours,computed\n",
        encoding="utf-8",
    )
    done = run(str(table))
    assert done.stdout == "A ok\nB FAIL\nC not asked\n"
    assert done.returncode == 1
    assert "B: density_vacuum (p=0.5;t_C=20): computed 913.7706" in done.stderr


def test_the_runner_passes_the_whole_table() -> None:
    done = run(str(TABLE))
    assert done.returncode == 0
    assert done.stdout.splitlines() == [f"{row.id} ok" for row in ROWS]
