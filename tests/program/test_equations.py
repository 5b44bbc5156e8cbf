"""The page of equations and the code name each other."""

import re
from pathlib import Path

import bulkflow.program

FOLDER = Path(bulkflow.program.__file__).parent
NUMBERED = re.compile(r"^(\d+)\. \*\*", re.MULTILINE)
CITED = re.compile(r"eqs?\.\s+((?:\d+(?:,\s+|\s+and\s+|\s+to\s+)?)+)")


def numbers_on_the_page() -> set[int]:
    page = (FOLDER / "README.md").read_text(encoding="utf-8")
    return {int(one) for one in NUMBERED.findall(page)}


def cited_numbers(text: str) -> set[int]:
    found: set[int] = set()
    for phrase in CITED.findall(text):
        ends = [int(one) for one in re.findall(r"\d+", phrase)]
        for first, last in re.findall(r"(\d+)\s+to\s+(\d+)", phrase):
            ends += range(int(first), int(last) + 1)
        found.update(ends)
    return found


def test_the_page_numbers_its_equations_without_a_gap():
    numbers = numbers_on_the_page()
    assert numbers == set(range(1, len(numbers) + 1))
    assert len(numbers) > 30


def test_every_equation_is_cited_by_the_code_that_keeps_it():
    cited = {
        number
        for module in FOLDER.glob("*.py")
        for number in cited_numbers(module.read_text(encoding="utf-8"))
    }
    assert cited == numbers_on_the_page()
