"""Orders, incomplete blocks, codes and serving plans."""

from __future__ import annotations

from collections import Counter, defaultdict
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from panels.errors import ServingError
from panels.serving import (
    Purpose,
    Sample,
    balance_of,
    balanced_orders,
    draw_codes,
    incomplete_blocks,
    plan_servings,
    williams_design,
)
from panels.serving.codes import CODES

# First rows: worked examples of Williams' construction (a public lecture note for 6 samples,
# example output of a general crossover-design package for 10), samples numbered from 1.
FIRST_ROWS = {6: [1, 2, 6, 3, 5, 4], 10: [1, 2, 10, 3, 9, 4, 8, 5, 7, 6]}


@pytest.mark.parametrize("samples", FIRST_ROWS)
def test_first_row_of_williams_square(samples: int) -> None:
    assert [n + 1 for n in williams_design(samples)[0]] == FIRST_ROWS[samples]


def test_three_samples_take_the_six_published_orders() -> None:
    rows = {"".join(str(n + 1) for n in row) for row in williams_design(3)}
    assert rows == {"123", "231", "312", "321", "132", "213"}


@pytest.mark.parametrize("samples", range(2, 13))
def test_williams_design_is_balanced_for_position_and_carry_over(samples: int) -> None:
    design = williams_design(samples)
    times = 1 if samples % 2 == 0 else 2
    assert len(design) == times * samples
    found = balance_of(design)
    assert (found.position_least, found.position_most) == (times, times)
    assert (found.neighbours_least, found.neighbours_most) == (times, times)
    assert found.is_exact


@pytest.mark.full
@given(st.integers(2, 9), st.integers(1, 24), st.integers(0, 2**32))
def test_positions_differ_by_one_at_most(samples: int, assessors: int, seed: int) -> None:
    orders = balanced_orders(range(samples), assessors, np.random.default_rng(seed))
    assert all(sorted(order) == list(range(samples)) for order in orders)
    found = balance_of(orders)
    assert found.position_most - found.position_least <= 1
    assert found.neighbours_most - found.neighbours_least <= (1 if samples % 2 == 0 else 2)


def test_incomplete_blocks_find_the_balanced_design_of_seven_in_threes() -> None:
    design = incomplete_blocks(7, 7, 3, np.random.default_rng(0))
    assert set(design.replications) == {3}
    assert (design.together_least, design.together_most) == (1, 1)
    # a balanced incomplete block design has efficiency t(k - 1) / (k(t - 1))
    assert design.efficiency == pytest.approx(7 * 2 / (3 * 6))


@given(st.integers(3, 14), st.integers(4, 16), st.integers(2, 8), st.integers(0, 2**32))
def test_incomplete_blocks_are_even(samples: int, assessors: int, size: int, seed: int) -> None:
    if assessors * min(size, samples) < 2 * samples:
        return
    try:
        design = incomplete_blocks(samples, assessors, size, np.random.default_rng(seed))
    except ServingError as error:
        assert "no chain of assessors" in str(error)
        return
    assert max(design.replications) - min(design.replications) <= 1
    assert all(len(set(block)) == min(size, samples) for block in design.blocks)
    assert 0 < design.efficiency <= 1 + 1e-9


def test_too_few_servings_are_refused() -> None:
    with pytest.raises(ServingError, match="cannot cover 12 lots"):
        incomplete_blocks(12, 3, 3, np.random.default_rng(0))
    with pytest.raises(ServingError, match="at least two"):
        incomplete_blocks(5, 3, 1, np.random.default_rng(0))


def test_codes_are_three_digits_without_repeats_or_meaning() -> None:
    codes = draw_codes(len(CODES), np.random.default_rng(3))
    assert len(set(codes)) == len(CODES) > 850
    assert all(len(code) == 3 and code.isdecimal() and code[0] != "0" for code in codes)
    assert not {"100", "111", "123", "666", "999", "112"} & set(codes)
    assert draw_codes(5, np.random.default_rng(9)) == draw_codes(5, np.random.default_rng(9))
    with pytest.raises(ServingError, match="Split the sitting"):
        draw_codes(len(CODES) + 1, np.random.default_rng(3))


def _samples(lots: int) -> list[Sample]:
    return [
        *(Sample(f"L{n}", Purpose.LOT) for n in range(lots)),
        Sample("S", Purpose.CONTROL),
        Sample("L0", Purpose.REPEAT, flight=2),
        Sample("S", Purpose.CONTROL, flight=2),
        Sample("X", Purpose.LOT, flight=2),
    ]


def test_plan_repeats_from_its_seed_and_changes_with_it() -> None:
    people = [f"A{n}" for n in range(8)]
    first, again, other = (plan_servings(_samples(4), people, seed=seed) for seed in (5, 5, 6))
    assert first == again
    assert first.key != other.key


@given(st.integers(1, 12), st.integers(3, 14), st.integers(0, 2**64))
def test_plan_laws(lots: int, people: int, seed: int) -> None:
    """Codes unique, places filled without gaps, everyone's controls, no more than may be nosed."""
    assessors = [f"A{n}" for n in range(people)]
    try:
        plan = plan_servings(_samples(lots), assessors, seed=seed, max_servings=8)
    except ServingError:
        return
    per: dict[str, list[str]] = defaultdict(list)
    for entry in plan.key:
        per[entry.assessor].append(entry.subject)
    codes = Counter((entry.assessor, entry.code) for entry in plan.key)
    assert max(codes.values()) == 1
    assert all(len(own) <= 8 and own.count("S") == 2 and "X" in own for own in per.values())
    places = sorted((s.assessor, s.flight, s.position) for s in plan.servings)
    for before, after in pairwise(places):
        if before[:2] == after[:2]:
            assert after[2] == before[2] + 1
        else:
            assert after[2] == 1
    # the suspected lot stands in the second flight for every assessor alike
    suspected = {(e.assessor, e.code) for e in plan.key if e.subject == "X"}
    assert {s.flight for s in plan.servings if (s.assessor, s.code) in suspected} == {2}


def test_servings_carry_no_word_of_the_lots() -> None:
    plan = plan_servings(_samples(4), ["A1", "A2", "A3"], seed=1)
    shown = repr(plan.servings)
    assert "L0" not in shown and "S'" not in shown and "control" not in shown


def test_plans_that_cannot_be_served_are_refused() -> None:
    with pytest.raises(ServingError, match="listed twice"):
        plan_servings(_samples(2), ["A1", "A1"], seed=1)
    with pytest.raises(ServingError, match="at least one sample"):
        plan_servings([], ["A1"], seed=1)
    with pytest.raises(ServingError, match="stands twice"):
        plan_servings([Sample("L", Purpose.LOT)] * 2, ["A1"], seed=1)
    crowded = [Sample(f"L{n}", Purpose.REPEAT) for n in range(9)]
    with pytest.raises(ServingError, match="at most 8 may be nosed"):
        plan_servings(crowded, ["A1", "A2"], seed=1)


@pytest.mark.full
@pytest.mark.parametrize(
    ("samples", "assessors", "most"),
    [(5, 8, 1), (5, 12, 1), (7, 10, 1), (7, 11, 1), (9, 10, 2)],
)
def test_an_odd_number_of_glasses_is_served_as_evenly_as_any_draw_found(
    samples: int, assessors: int, most: int
) -> None:
    """Rows of one Williams square alone leave neighbours two apart; some panels need not."""
    gaps = []
    for seed in range(3):
        rng = np.random.default_rng(seed)
        found = balance_of(balanced_orders(range(samples), assessors, rng))
        assert found.position_most - found.position_least <= 1
        gaps.append(found.neighbours_most - found.neighbours_least)
    assert max(gaps) <= 2
    assert min(gaps) <= most
