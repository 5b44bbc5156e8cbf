"""Numbers in cells: what is read, what is refused, and that advice on it is itself safe."""

import doctest
import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bulkflow.errors import Fault
from bulkflow.reading import cells, shape, words, yamlfile
from bulkflow.reading.cells import (
    CellTrouble,
    NumberStyle,
    read_bounded_number,
    read_number,
    read_written_number,
)
from bulkflow.reading.faults import told_once

WRITTEN = (NumberStyle.POINT, NumberStyle.COMMA)
wholes = st.integers(-999, 999).filter(bool)
thousandths = st.integers(0, 999)


@given(wholes, thousandths, st.sampled_from(".,"), st.sampled_from(WRITTEN))
def test_every_spelling_advised_is_read_as_what_it_means(whole, part, mark, style) -> None:
    text = f"{whole}{mark}{part:03d}"
    found = read_number(text, style)
    if not isinstance(found, CellTrouble):
        assert found == Decimal(f"{whole}.{part:03d}")
        assert (mark, style) in {(".", NumberStyle.POINT), (",", NumberStyle.COMMA)}
        return
    advised = re.fullmatch(r"Write (\S+) or (\S+), whichever is meant\.", found.mend)
    assert advised is not None, found
    for again in WRITTEN:
        assert read_number(advised[1], again) == Decimal(f"{whole}{part:03d}")
        assert read_number(advised[2], again) == Decimal(f"{whole}.{part:03d}")
    if advised[1] != advised[2]:
        assert read_written_number(text, NumberStyle.TYPED) == found


@given(st.from_regex(r"[-+]?([0-9]{0,5}),[0-9]{1,6}", fullmatch=True))
def test_a_decimal_comma_that_is_advised_away_is_safe_as_well(text: str) -> None:
    found = read_number(text, NumberStyle.POINT)
    assert isinstance(found, CellTrouble)
    if advised := re.match(r"Write (\S+); a decimal comma", found.mend):
        for again in WRITTEN:
            assert read_number(advised[1], again) == Decimal(text.replace(",", "."))


@given(st.decimals(allow_nan=False, allow_infinity=False, places=3, min_value=0, max_value=10**9))
def test_a_number_is_exactly_what_is_written(value: Decimal) -> None:
    assert read_number(f"{value:f}", NumberStyle.POINT) == value
    assert read_number(f"{value:f}".replace(".", ","), NumberStyle.COMMA) == value
    assert read_number(float(value), NumberStyle.TYPED) == value


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), 1e300, True, "7"])
def test_a_cell_of_a_workbook_is_a_number_of_use_or_none(value: object) -> None:
    assert isinstance(read_number(value, NumberStyle.TYPED), CellTrouble)


def test_bounds_of_results() -> None:
    assert read_bounded_number("<0,5", NumberStyle.COMMA) == ("<", Decimal("0.5"))
    assert read_bounded_number("> 12.5", NumberStyle.TYPED) == (">", Decimal("12.5"))
    assert read_bounded_number(12, NumberStyle.TYPED) == ("=", Decimal(12))
    assert isinstance(read_bounded_number("<1,500", NumberStyle.TYPED)[1], CellTrouble)
    assert isinstance(read_bounded_number("<", NumberStyle.POINT)[1], CellTrouble)


def test_faults_of_one_cause_are_told_once() -> None:
    rows = [Fault("a.csv", line, "lpa", "is empty", "Fill it.") for line in range(2, 7)]
    names = [Fault(f, n, f"x[{n}]", "is 'X', which is no site", "Y?") for n, f in enumerate("abcd")]
    other = Fault("a.csv", 3, "site_id", "is empty", "Fill it.")
    assert [str(fault) for fault in told_once([*rows, *names, other], names)] == [
        "a.csv, line 2: lpa is empty (so in 4 more rows, the last in line 6). Fill it.",
        "a: x[0] is 'X', which is no site (so in 3 more places, the last in d, line 3). Y?",
        "a.csv, line 3: site_id is empty. Fill it.",
    ]


@pytest.mark.parametrize("module", [cells, shape, words, yamlfile])
def test_examples(module: object) -> None:
    found = doctest.testmod(module)
    assert found.attempted
    assert not found.failed
