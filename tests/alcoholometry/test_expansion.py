"""The mean coefficient of expansion for filling tanks."""

from __future__ import annotations

import numpy as np
import pytest

from bulkflow import alcoholometry as al
from bulkflow.errors import OutOfRangeError


@pytest.mark.parametrize(
    ("strength", "alpha"),
    # 1e-3/K, from the formula carried on to 50 degC by a second implementation
    [(0, 0.320), (24, 0.535), (40, 0.769), (50, 0.864), (60, 0.940), (63.5, 0.965), (70, 1.005),
     (80, 1.062), (90, 1.122), (96, 1.128), (96.4, 1.128), (100, 1.147)],
)  # fmt: skip
def test_extrapolated_anchors(strength: float, alpha: float) -> None:
    found = 1000.0 * al.mean_expansion_extrapolated(strength)
    assert found == pytest.approx(alpha, abs=0.00051)


def test_filling_never_trusts_a_coefficient_that_falls() -> None:
    strengths = np.linspace(0.0, 100.0, 401)
    raw = al.mean_expansion_extrapolated(strengths)
    assert (np.diff(raw[strengths > 94.0]) < 0.0).any()  # the artefact that this guards against
    alphas = [al.filling_expansion(float(strength)).alpha for strength in strengths]
    assert (np.diff(alphas) >= 0.0).all()
    assert (np.array(alphas) >= raw - 1e-12).all()


def test_what_a_coefficient_rests_on_is_said() -> None:
    strong, weak = al.filling_expansion(96.0), al.filling_expansion(40.0)
    assert (strong.alpha, strong.extrapolated) == (1.15e-3, True)
    assert "cautious value for 90 % vol and above" in strong.basis
    assert weak.extrapolated
    assert "outside its range" in weak.basis
    given = al.filling_expansion(96.0, density_15=811.7, density_50=781.2)
    assert not given.extrapolated
    assert given.alpha == pytest.approx((811.7 - 781.2) / (35 * 781.2))
    assert given.basis == "supplier's densities 811.7 kg/m3 at 15 and 781.2 at 50 degC"


def test_densities_that_cannot_be() -> None:
    with pytest.raises(ValueError, match="together, or neither"):
        al.filling_expansion(96.0, density_15=811.7)
    with pytest.raises(OutOfRangeError, match="less that at 50 degC is -10"):
        al.mean_expansion(780.0, 790.0)
    with pytest.raises(OutOfRangeError, match=r"density at 15 degC is 0.8117 kg/m3"):
        al.mean_expansion(0.8117, 0.781)
    with pytest.raises(OutOfRangeError, match="strength is nan"):
        al.filling_expansion(float("nan"), density_15=811.7, density_50=781.2)
