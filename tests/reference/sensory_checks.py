"""Run a table of sensory checks through the public functions of ``panels``.

Each row asks for one quantity in words at some inputs and states what a published source, or the
formula, gives::

    id, quantity, inputs, expected, unit, tolerance, source, basis

``python -m tests.reference.sensory_checks FILE.csv [--data DIR]`` prints one line a row, ``id ok``,
``id FAIL`` or ``id not asked`` (a fact in prose, or nothing that is computed), the reasons on
standard error, and ends with exit code 1 if any row failed. Data sets are looked up in DIR, by
default ``sensory_data`` beside the table, or beside this file.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tests.reference.sensory import (
    chart_rows,
    discrimination_rows,
    law_rows,
    ranking_rows,
    scoring_rows,
)
from tests.reference.sensory.rows import Answer, NotAsked, Row, agrees, answer_with, read
from tests.reference.verdicts import print_verdicts

TABLE = Path(__file__).with_suffix(".csv")
DATA = Path(__file__).with_name("sensory_data")

# Charts before the rest: "covariance" and "letter" rows also hold words of the others.
QUESTIONS = [
    *law_rows.QUESTIONS,
    *chart_rows.QUESTIONS,
    *ranking_rows.QUESTIONS,
    *discrimination_rows.QUESTIONS,
    *scoring_rows.QUESTIONS,
]


def compute(row: Row) -> Answer:
    """The public functions' answer to a row."""
    return answer_with(QUESTIONS, row)


def judge(row: Row) -> tuple[str, str]:
    """The verdict on one row, and its reason where it is not ok."""
    try:
        answer = compute(row)
    except NotAsked as reason:
        return "not asked", str(reason)
    except Exception as error:  # whatever goes wrong with one row must not hide the others
        return "FAIL", f"{type(error).__name__}: {error}"
    if agrees(row, answer):
        return "ok", ""
    return "FAIL", f"computed {answer}, expected {row.expected} +- {row.tolerance:g} {row.unit}"


def data_folder(table: Path, given: str | None) -> Path:
    """Where the data sets of a table are."""
    if given is not None:
        return Path(given)
    beside = table.parent / "sensory_data"
    return beside if beside.is_dir() else DATA


def main(arguments: list[str]) -> int:
    """Judge every row of the tables; 1 if any failed."""
    parser = argparse.ArgumentParser(prog="python -m tests.reference.sensory_checks")
    parser.add_argument("tables", nargs="+", metavar="FILE.csv")
    parser.add_argument("--data", metavar="DIR", help="folder of the data sets")
    given = parser.parse_args(arguments)
    tables = (Path(name) for name in given.tables)
    return print_verdicts((read(one, data_folder(one, given.data)) for one in tables), judge)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
