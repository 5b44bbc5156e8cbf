"""The panel's mixed model against worked data, closed forms and simulation."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from panels.errors import RangeError
from panels.methods.mixed_model import Estimate, Layout, MixedModel, fit_mixed_model
from panels.methods.reml import fit_reml

WINE = Path(__file__).parent / "data" / "wine_bitterness_9x4x2.csv"
"""Randall (1989), Biometrical Journal 31, 781-793: bitterness of four wines, 9 assessors, 2 bottles
each; the numbers as distributed with the general R package ordinal, data set ``wine``."""


@pytest.fixture(scope="module")
def wine() -> MixedModel:
    with WINE.open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    return fit_mixed_model(
        [row["assessor"] for row in rows],
        [row["product"] for row in rows],
        [float(row["score_0_100"]) for row in rows],
    )


# Own analysis of variance from the data, the same by R's lm and by its lmer with Kenward-Roger
# degrees of freedom: with complete data REML gives the same components.
@pytest.mark.parametrize(
    ("component", "expected"),
    [("assessor", 70.9884), ("assessor x sample", 15.6262), ("residual", 139.5833)],
)
def test_wine_components(wine: MixedModel, component: str, expected: float) -> None:
    assert wine.components[component] == pytest.approx(expected, abs=0.01)


def test_wine_difference_has_the_interaction_error_and_its_freedom(wine: MixedModel) -> None:
    found = wine.difference("warm_nocontact", "cold_nocontact")
    assert found.standard_error == pytest.approx(4.3568, abs=0.0005)
    assert found.degrees_of_freedom == pytest.approx(24.0, abs=1e-3)
    half = (found.interval()[1] - found.interval()[0]) / 2
    assert half == pytest.approx(8.992, abs=0.001)  # least significant difference, 5 %


@pytest.mark.parametrize(
    ("product", "expected", "tolerance"),
    [
        ("warm_nocontact", 0.000619, 2e-5),
        ("cold_contact", 0.09779, 0.0002),
        ("warm_contact", 4.7e-8, 1e-8),
    ],
)
def test_wine_dunnett(wine: MixedModel, product: str, expected: float, tolerance: float) -> None:
    names = [name for name in wine.samples if name != "cold_nocontact"]
    found = {c.sample: c for c in wine.dunnett("cold_nocontact", names)}
    assert found[product].p_value == pytest.approx(expected, abs=tolerance)
    half = found[product].critical_value * found[product].difference.standard_error
    assert half == pytest.approx(10.921, abs=0.002)


def test_one_sided_dunnett_is_for_lots_that_score_below(wine: MixedModel) -> None:
    names = [name for name in wine.samples if name != "warm_contact"]
    (worst, *_) = wine.dunnett("warm_contact", names, alternative="worse")
    assert worst.lower == -np.inf and worst.upper < 0 and worst.p_value < 0.001
    names = [name for name in wine.samples if name != "cold_nocontact"]
    (best, *_) = wine.dunnett("cold_nocontact", names, alternative="worse")
    assert best.p_value > 0.9


def test_complete_single_scores_give_the_paired_t_test() -> None:
    """Two samples, one score each: the difference is the paired t test, in closed form."""
    rng = np.random.default_rng(4)
    table = rng.normal(7, 1, (9, 2)) + rng.normal(0, 0.7, (9, 1))
    who = np.repeat(np.arange(9), 2)
    fit = fit_mixed_model(list(who), ["a", "b"] * 9, list(table.ravel()))
    found = fit.difference("a", "b")
    t, p = stats.ttest_rel(table[:, 0], table[:, 1])
    assert found.estimate / found.standard_error == pytest.approx(t, rel=1e-6)
    assert found.degrees_of_freedom == pytest.approx(8, rel=1e-4)
    assert found.p_value() == pytest.approx(p, rel=1e-4)


def test_missing_scores_are_not_filled_in_or_deleted_with_their_assessor() -> None:
    """An assessor with a single score still informs the mean, and less than a complete one."""
    base = ([0, 0, 1, 1, 2, 2, 3, 3], list("ab") * 4, [7, 6, 8, 6.5, 6, 6.5, 7.5, 7])
    full = fit_mixed_model(*base)
    more = fit_mixed_model([*base[0], 4], [*base[1], "a"], [*base[2], 9.0])
    assert more.scores == full.scores + 1
    assert more.scores_of == {"a": 5, "b": 4}
    assert full.mean("a").estimate < more.mean("a").estimate < (4 * 7.125 + 9) / 5 + 0.5
    assert more.difference("a", "b").estimate < full.difference("a", "b").estimate + 0.4


@given(
    st.floats(-5, 5), st.floats(0.2, 4), st.integers(0, 10_000), st.permutations(["A", "B", "C"])
)
def test_shift_scale_and_order_change_nothing_else(
    shift: float, scale: float, seed: int, names: list[str]
) -> None:
    rng = np.random.default_rng(seed)
    who = np.repeat(np.arange(6), 4)
    what = ["A", "B", "C", "A"] * 6
    scores = rng.normal(0, 1, 24) + np.repeat(rng.normal(0, 0.8, 6), 4)
    first = fit_mixed_model(list(who), what, list(scores))
    mapped = dict(zip("ABC", names, strict=True))
    order = rng.permutation(24)
    other = fit_mixed_model(
        list(who[order]), [mapped[what[i]] for i in order], list(scale * scores[order] + shift)
    )
    was, now = first.difference("A", "B"), other.difference(mapped["A"], mapped["B"])
    assert now.estimate == pytest.approx(scale * was.estimate, abs=1e-3 * scale)
    assert now.standard_error == pytest.approx(scale * was.standard_error, rel=2e-3)
    assert now.degrees_of_freedom == pytest.approx(was.degrees_of_freedom, rel=2e-2)
    mean = other.mean(mapped["C"]).estimate
    assert mean == pytest.approx(scale * first.mean("C").estimate + shift, abs=2e-3 * scale)


def test_two_sittings_are_joined_by_the_control_they_share() -> None:
    """A day on which all score a point lower does not count against the lot nosed that day."""
    rng = np.random.default_rng(8)
    who, what, when, scores = [], [], [], []
    for day, shift in (("first", 0.0), ("second", -1.0)):
        for person in range(10):
            for sample in ("control", "lot", f"other {day}"):
                who.append(person)
                what.append(sample)
                when.append(day)
                scores.append(7.0 + shift + rng.normal(0, 0.3))
    fit = fit_mixed_model(who, what, scores, sittings=when)
    assert set(fit.components) == {
        "assessor",
        "assessor x sitting",
        "assessor x sample",
        "residual",
    }
    assert abs(fit.difference("lot", "control").estimate) < 0.3
    assert abs(fit.difference("other second", "control").estimate) < 0.5


def test_unbalanced_scores_against_full_matrices() -> None:
    """The same model written out in full: the likelihood maximised by a general optimiser.

    Covariance and degrees of freedom follow Kenward and Roger (1997) with P = V^-1 - V^-1 X
    (X' V^-1 X)^-1 X' V^-1 taken literally; nothing of the blockwise code is used.
    """
    rng = np.random.default_rng(12)
    who = np.repeat(np.arange(7), 5)
    what = np.tile([0, 1, 2, 3, 1], 7)
    scores = 7 + rng.normal(0, 0.8, 7)[who] + rng.normal(0, 0.5, (7, 4))[who, what]
    scores += rng.normal(0, 0.5, 35)
    kept = rng.random(35) > 0.2
    who, what, scores = who[kept], what[kept], scores[kept]
    fit = fit_mixed_model(list(who), [f"L{n}" for n in what], list(scores))

    design = np.eye(4)[what]
    same = who[:, None] == who
    parts = [same.astype(float), (same & (what[:, None] == what)).astype(float), np.eye(len(who))]

    def deviance(logs: np.ndarray) -> float:
        inverse = np.linalg.inv(sum(np.exp(a) * k for a, k in zip(logs, parts, strict=True)))
        information = design.T @ inverse @ design
        rest = scores - design @ np.linalg.solve(information, design.T @ inverse @ scores)
        return float(
            -np.linalg.slogdet(inverse)[1]
            + np.linalg.slogdet(information)[1]
            + rest @ inverse @ rest
        )

    best = optimize.minimize(
        deviance,
        np.log([0.5, 0.2, 0.2]),
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 20_000, "maxfev": 20_000},
    )
    theta = np.exp(best.x)
    assert list(fit.components.values()) == pytest.approx(list(theta), rel=1e-3)
    assert fit.deviance == pytest.approx(float(best.fun), abs=1e-6)

    inverse = np.linalg.inv(sum(t * k for t, k in zip(theta, parts, strict=True)))
    phi = np.linalg.inv(design.T @ inverse @ design)
    projection = inverse - inverse @ design @ phi @ design.T @ inverse
    spread = np.linalg.inv(
        [[0.5 * np.trace(projection @ a @ projection @ b) for b in parts] for a in parts]
    )
    first = [-design.T @ inverse @ a @ inverse @ design for a in parts]
    inner = sum(
        spread[i, j]
        * (
            design.T @ inverse @ parts[i] @ inverse @ parts[j] @ inverse @ design
            - first[i] @ phi @ first[j]
        )
        for i in range(3)
        for j in range(3)
    )
    adjusted = phi + 2 * phi @ inner @ phi
    names = list(dict.fromkeys(f"L{n}" for n in what))
    for contrast, found in (
        (np.eye(4)[2], fit.mean("L2")),
        (np.eye(4)[3] - np.eye(4)[0], fit.difference("L3", "L0")),
    ):
        assert found.standard_error == pytest.approx(
            np.sqrt(contrast @ adjusted @ contrast), rel=1e-3
        )
        slope = np.array([-contrast @ phi @ f @ phi @ contrast for f in first])
        freedom = 2 * (contrast @ phi @ contrast) ** 2 / (slope @ spread @ slope)
        assert found.degrees_of_freedom == pytest.approx(freedom, rel=2e-3)
    assert set(names) == set(fit.samples)


@pytest.mark.parametrize(
    ("who", "what", "scores", "when", "words"),
    [
        ([1, 1], ["a", "b"], [7, 8], None, "at least two of them"),
        ([1, 2], ["a", "a"], [7, float("nan")], None, "not a finite number"),
        ([1, 2], ["a", "b"], [7, 8], None, "More scores are needed"),
        ([1, 2, 1, 2], ["a", "a", "b", "b"], [7, 7, 8, 8], list("xxyy"), "no sample in common"),
        ([1, 2, 3], ["a"] * 3, [7, 7, 7], None, "do not vary at all"),
    ],
)
def test_data_that_cannot_be_analysed(
    who: list[int], what: list[str], scores: list[float], when: list[str] | None, words: str
) -> None:
    with pytest.raises(RangeError, match=words):
        fit_mixed_model(who, what, scores, sittings=when)


def test_agreement_to_the_last_step_still_carries_the_rounding_of_the_scale() -> None:
    fit = fit_mixed_model([1, 2, 3, 4], ["a"] * 4, [7.0] * 4, resolution=0.5)
    assert fit.components["residual"] == pytest.approx(0.5**2 / 12)
    assert fit.mean("a").standard_error == pytest.approx(np.sqrt(0.5**2 / 12 / 4), rel=0.01)


def test_frame_and_unknown_sample(wine: MixedModel) -> None:
    frame = wine.to_frame()
    assert list(frame.columns[:3]) == ["scores", "mean", "standard_error"]
    assert frame.loc["warm_contact", "mean"] == pytest.approx(67.278, abs=0.001)
    with pytest.raises(RangeError, match="holds cold_nocontact"):
        wine.mean("red")


def test_limits_of_an_estimate_are_consistent() -> None:
    found = Estimate(1.0, 0.5, 12.0)
    assert found.interval(0.9)[0] == pytest.approx(found.lower_limit(0.95))
    assert found.upper_limit(0.95) == pytest.approx(1.0 + 0.5 * 1.78229, abs=1e-4)  # t table


TRAY = np.array([0, 1, 2, 3, 1])
"""Control, three lots, and a repeat of the first lot."""


def _coverage(assessors: int, draws: int, seed: int) -> dict[str, float]:
    """Share of 95 % intervals that hold the truth, one score in ten missing at random."""
    rng = np.random.default_rng(seed)
    layout = Layout(
        samples=("C", "L1", "L2", "L3"),
        sittings=("s",),
        sample_at=np.tile(TRAY, (assessors, 1)),
        sitting_at=np.zeros((assessors, len(TRAY)), dtype=np.int64),
        present=np.ones((assessors, len(TRAY)), dtype=bool),
    )
    scores = (
        7.0
        + rng.normal(0, 0.6, (draws, assessors, 1))
        + rng.normal(0, 0.35, (draws, assessors, 4))[:, :, TRAY]
        + rng.normal(0, 0.6, (draws, assessors, len(TRAY)))
    )
    fit = fit_reml(
        scores,
        layout.design(),
        np.array(list(layout.kernels().values())),
        rng.random(scores.shape) >= 0.1,
    )
    held = {}
    for name, weights, truth in (
        ("mean of a lot", [0, 0, 1, 0], 7.0),
        ("mean of a repeated lot", [0, 1, 0, 0], 7.0),
        ("lot minus control", [-1, 0, 1, 0], 0.0),
    ):
        estimate, error, freedom = fit.contrast(np.array(weights, dtype=float))
        half = stats.t.isf(0.025, freedom) * error
        held[name] = float((np.abs(estimate - truth) <= half).mean())
    assert fit.settled.mean() > 0.998
    return held


def test_interval_covers_about_as_often_as_it_says() -> None:
    """A quick look; the full tier looks closely."""
    for share in _coverage(8, 600, seed=1).values():
        assert 0.95 - 4 * np.sqrt(0.95 * 0.05 / 600) < share


@pytest.mark.full
@pytest.mark.parametrize("assessors", [6, 8, 12])
def test_interval_covers_within_one_and_a_half_points(assessors: int) -> None:
    """12,000 draws: the Monte Carlo standard error is 0.2 points."""
    for name, share in _coverage(assessors, 12_000, seed=assessors).items():
        assert abs(share - 0.95) < 0.015, name
