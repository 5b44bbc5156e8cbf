"""One check: the worst violation is kept with its place, and nothing passes unseen."""

from __future__ import annotations

import math

import pytest

from bulkflow.plan.checks.watch import LPA, WHOLE, Measure, Watch

TENTH = Measure("LPA", 0.1, 0.0)


def watch() -> Watch:
    return Watch("stock", "stock is right", (1,), TENTH)


def test_within_tolerance_passes_and_is_still_told():
    one = watch()
    one.near(5.05, 5.0, "stock of DRY")
    check = one.result()
    assert check.passed
    assert check.compared == 1
    assert check.worst == pytest.approx(0.05)


def test_the_worst_is_kept_with_its_place_and_the_failures_counted():
    one = watch()
    for found in (5.0, 7.0, 6.0):
        one.near(found, 5.0, f"stock of {found:g}")
    check = one.result()
    assert not check.passed
    assert (check.failures, check.compared, check.worst) == (2, 3, 2.0)
    assert check.where == "stock of 7 is 7 LPA, not 5 LPA"
    assert str(check) == (
        "stock (eq. 1): not so that stock is right: stock of 7 is 7 LPA, not 5 LPA (and 1 more)"
    )


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_never_passes(bad: float):
    for compare in ("near", "at_most", "at_least"):
        one = watch()
        getattr(one, compare)(bad, 5.0 if compare != "at_least" else math.inf, "stock")
        if compare == "at_most" and bad == -math.inf:
            continue
        assert not one.result().passed, compare


def test_limits_work_one_way():
    one = watch()
    one.at_most(4.0, 5.0, "a")
    one.at_least(6.0, 5.0, "b")
    assert one.result().passed
    one.at_most(5.2, 5.0, "c")
    assert not one.result().passed


def test_counts_have_no_tolerance():
    one = Watch("counts", "counts are right", (), WHOLE)
    one.at_most(3.0000001, 3, "loads")
    assert not one.result().passed


def test_tolerance_grows_with_the_amount():
    assert LPA.tolerance(0.0) == 0.01
    assert LPA.tolerance(1e6, 2e6) == pytest.approx(2.01)
