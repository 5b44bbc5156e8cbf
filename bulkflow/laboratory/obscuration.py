"""Strength hidden by what is dissolved: sugar and solids make spirit denser.

The rule of thumb (0.2 % vol a g/l) is lower than what the density model says (0.26 at 40 % vol).
Near a limit use neither: distil, and measure the distillate.
"""

from __future__ import annotations

from bulkflow.alcoholometry import density_from_strength, strength_from_density
from bulkflow.alcoholometry.proof import OBSCURATION_PROOF_PER_GRAM
from bulkflow.statistics.arguments import at_least, positive

__all__ = [
    "SUGAR_SPECIFIC_VOLUME_ML_G",
    "obscuration_by_model",
    "obscuration_by_rule_percent",
    "obscuration_from_residue_proof",
]

#: Volume that a gram of sucrose takes up in solution [ml/g] (from memory).
SUGAR_SPECIFIC_VOLUME_ML_G = 0.618


def obscuration_from_residue_proof(residue_g: float, sample_ml: float = 25.0) -> float:
    """Return the proof hidden by the solids that a sample leaves behind, to be added.

    Parameters
    ----------
    residue_g : after 30 minutes at 100 degC [g].
    sample_ml : evaporated [ml].

    References
    ----------
    27 CFR 30.32(b): 0.1 g in 100 ml hides 0.4 of proof; worked there with 0.125 g of 25 ml.

    Examples
    --------
    >>> obscuration_from_residue_proof(0.125)
    2.0
    """
    grams = at_least("residue_g", residue_g, 0.0) * 100.0 / positive("sample_ml", sample_ml)
    return OBSCURATION_PROOF_PER_GRAM * grams


def obscuration_by_rule_percent(solids_g_per_litre: float) -> float:
    """Return the % vol hidden by the rule of thumb of 27 CFR 30.32(b), halved from proof.

    Examples
    --------
    >>> obscuration_by_rule_percent(1.0)
    0.2
    """
    return obscuration_from_residue_proof(solids_g_per_litre, 1000.0) / 2.0


def obscuration_by_model(
    sugar_g_per_litre: float,
    strength_percent: float,
    *,
    specific_volume_ml_g: float = SUGAR_SPECIFIC_VOLUME_ML_G,
) -> float:
    """Return the % vol by which the density of sweetened spirit reads too low.

    Parameters
    ----------
    sugar_g_per_litre : [g/l], 0 or more; meant for a few grams.
    strength_percent : true strength [% vol at 20 degC].

    Notes
    -----
    A gram of sugar in a litre raises the density by ``1 - v rho`` kg/m3 (v in ml/g, rho in g/ml);
    the strength that OIML R 22 gives for the raised density is too low.

    Examples
    --------
    >>> round(obscuration_by_model(1.0, 40.0), 3), round(obscuration_by_model(1.0, 37.5), 3)
    (0.259, 0.274)
    """
    rho = float(density_from_strength(strength_percent, 20.0))
    raised = at_least("sugar_g_per_litre", sugar_g_per_litre, 0.0) * (
        1.0 - specific_volume_ml_g * rho / 1000.0
    )
    return strength_percent - float(strength_from_density(rho + raised, 20.0))
