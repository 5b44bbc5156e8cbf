"""Closed stock formulas: laws, a simulation, and what they refuse."""

import doctest
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bulkflow import stocks


def test_examples_in_the_docstrings() -> None:
    assert doctest.testmod(stocks).failed == 0
    assert doctest.testmod(stocks).attempted >= 7


@given(st.floats(-8, 8))
def test_loss_falls_and_differs_from_its_mirror_by_z(z: float) -> None:
    assert stocks.normal_loss(z) - stocks.normal_loss(-z) == pytest.approx(-z, abs=1e-12)
    assert stocks.normal_loss(z + 0.1) < stocks.normal_loss(z)


@given(st.floats(0.51, 0.999), st.floats(0.1, 100), st.floats(1, 10))
def test_safety_stock_gives_back_its_service(service: float, sd: float, lead: float) -> None:
    safety = stocks.safety_stock_fixed_lead(service, sd, lead)
    assert stocks.cycle_service(safety, sd, lead) == pytest.approx(service, abs=1e-9)


def test_simulated_shortage() -> None:
    # Within 4 standard errors: one false alarm in 16,000, and the seed is fixed.
    safety, sd, cycles = 1000.0, 707.1067811865476, 400_000
    rng = np.random.default_rng(11)
    short = np.maximum(rng.normal(0.0, sd, cycles) - safety, 0.0)
    error = 4 * stocks.shortage_sd(safety, sd) / math.sqrt(cycles)
    assert abs(short.mean() - stocks.expected_shortage(safety, sd)) < error


@given(st.floats(10, 1000), st.floats(1, 100), st.floats(1, 50), st.floats(1, 50))
def test_newsvendor_quantity_costs_least(mean: float, sd: float, under: float, over: float) -> None:
    def cost(quantity: float) -> float:
        short = stocks.expected_shortage(quantity - mean, sd)
        return under * short + over * (quantity - mean + short)

    best = stocks.newsvendor_quantity(mean, sd, under, over)
    assert cost(best) == pytest.approx(stocks.newsvendor_cost(mean, sd, under, over), rel=1e-6)
    assert cost(best) <= min(cost(best + 0.1 * sd), cost(best - 0.1 * sd)) + 1e-9


def test_economic_lot_balances_its_two_costs() -> None:
    lot = stocks.economic_order_quantity(8000, 12000, 0.30)
    assert 8000 / lot * 12000 == pytest.approx(lot / 2 * 0.30)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: stocks.normal_loss(math.nan), "z must be a finite number, not nan"),
        (lambda: stocks.fill_rate(1, -1, 5), "sd must be zero or more, not -1"),
        (lambda: stocks.fill_rate(1, 1, 0), "lot must be greater than zero"),
        (lambda: stocks.safety_stock_fixed_lead(1.0, 1, 1), "service must lie between 0 and 1"),
        (lambda: stocks.lead_time_demand_sd(1, 1, -1, 0), "lead must be zero or more, not -1"),
        (lambda: stocks.newsvendor_quantity(1, 1, 0, 1), "under must be greater than zero"),
    ],
)
def test_senseless_inputs(call, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()
