"""Scores of a panel under the mixed model: lots fixed, assessors random, with interaction.

Owns the model of a sitting (or of several sittings judged together), the estimates taken from
it with small-sample degrees of freedom, and the comparison of several lots with one control.
The estimation itself is `panels.methods.reml`.

Model: score = sample + sitting + assessor + assessor x sitting + assessor x sample + residual.
*Sample* (a lot, or the blind control of a liquid) and *sitting* are fixed; the rest is random.
A component that the scores at hand cannot tell from the residual is left out and its variance
stays in the residual: assessor x sample without repeats, assessor x sitting without an assessor
who sat twice. Missing scores simply are not there: nothing is deleted with them or filled in.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from panels.errors import ConvergenceError, RangeError
from panels.methods.dunnett import dunnett_critical, dunnett_p_value
from panels.methods.reml import RemlFit, fit_reml

__all__ = [
    "Comparison",
    "Estimate",
    "Layout",
    "MixedModel",
    "fit_mixed_model",
]

Array = NDArray[np.float64]
Alternative = Literal["different", "worse"]


@dataclass(frozen=True, slots=True)
class Estimate:
    """An estimated mean or difference.

    Attributes
    ----------
    estimate, standard_error : in units of the score.
    degrees_of_freedom : Kenward-Roger.
    """

    estimate: float
    standard_error: float
    degrees_of_freedom: float

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Two-sided confidence interval [score]."""
        half = self._t(0.5 + level / 2.0) * self.standard_error
        return self.estimate - half, self.estimate + half

    def lower_limit(self, level: float) -> float:
        """One-sided lower confidence limit at ``level``, such as 0.95 [score]."""
        return self.estimate - self._t(level) * self.standard_error

    def upper_limit(self, level: float) -> float:
        """One-sided upper confidence limit at ``level``, such as 0.95 [score]."""
        return self.estimate + self._t(level) * self.standard_error

    def p_value(self, against: float = 0.0) -> float:
        """Two-sided p of the value ``against``."""
        t = abs(self.estimate - against) / self.standard_error
        return float(2.0 * stats.t.sf(t, self.degrees_of_freedom))

    def _t(self, probability: float) -> float:
        return float(stats.t.ppf(probability, self.degrees_of_freedom))


@dataclass(frozen=True, slots=True)
class Comparison:
    """One lot against the control, allowing for the other lots compared at the same time.

    Attributes
    ----------
    sample, control : what is compared.
    difference : sample minus control.
    critical_value : Dunnett's, for all comparisons of the family at ``level``.
    level : confidence that all intervals of the family hold together.
    lower, upper : simultaneous interval; the lower end is infinite where one-sided.
    p_value : adjusted for the family.
    alternative : ``different``, or ``worse`` for lots that score below the control.
    """

    sample: str
    control: str
    difference: Estimate
    critical_value: float
    level: float
    lower: float
    upper: float
    p_value: float
    alternative: Alternative


@dataclass(frozen=True)
class Layout:
    """Which sample of which sitting stands at which place of each assessor.

    Attributes
    ----------
    samples, sittings : names in the order of the fixed effects.
    sample_at, sitting_at : int arrays (J, m), numbers of sample and sitting at each place.
    present : bool array (J, m), whether the place is used.
    """

    samples: tuple[str, ...]
    sittings: tuple[str, ...]
    sample_at: NDArray[np.int64]
    sitting_at: NDArray[np.int64]
    present: NDArray[np.bool_]

    def design(self) -> Array:
        """Return fixed effects (J, m, p): means at the average sitting, then sitting shifts."""
        samples = np.eye(len(self.samples))[self.sample_at]
        last = len(self.sittings) - 1
        shifts = np.vstack([np.eye(last), -np.ones((1, last))])[self.sitting_at]
        return np.concatenate([samples, shifts], axis=-1) * self.present[..., None]

    def kernels(self) -> dict[str, Array]:
        """One matrix (J, m, m) per variance component that the layout can tell apart."""
        both = self.present[:, :, None] & self.present[:, None, :]
        same_sample = (self.sample_at[:, :, None] == self.sample_at[:, None, :]) & both
        same_sitting = (self.sitting_at[:, :, None] == self.sitting_at[:, None, :]) & both
        own = np.eye(self.present.shape[1], dtype=bool) & both
        parts = {"assessor": both}
        if (same_sitting != both).any():
            parts["assessor x sitting"] = same_sitting
        if (same_sample & ~own).any():
            parts["assessor x sample"] = same_sample
        parts["residual"] = np.broadcast_to(np.eye(self.present.shape[1], dtype=bool), both.shape)
        return {name: part.astype(float) for name, part in parts.items()}


@dataclass(frozen=True)
class MixedModel:
    """A fitted sitting.

    Attributes
    ----------
    samples : names of lots and controls.
    assessors : how many.
    scores : how many.
    scores_of : scores per sample.
    components : variance by component [score squared], the residual last.
    deviance : minus twice the restricted log-likelihood, without its constant.
    """

    samples: tuple[str, ...]
    assessors: int
    scores: int
    scores_of: dict[str, int]
    components: dict[str, float]
    deviance: float
    _fit: RemlFit

    def mean(self, sample: str) -> Estimate:
        """Mean of a sample over assessors such as these, at the average sitting."""
        return self._estimate(self._unit(sample))

    def difference(self, sample: str, control: str) -> Estimate:
        """Sample minus control."""
        return self._estimate(self._unit(sample) - self._unit(control))

    def dunnett(
        self,
        control: str,
        samples: Sequence[str],
        *,
        level: float = 0.95,
        alternative: Alternative = "different",
    ) -> tuple[Comparison, ...]:
        """Compare several lots with one control, with a joint confidence level (Dunnett).

        Notes
        -----
        The family's degrees of freedom are the smallest of its members. Unequal numbers of
        scores enter as effective numbers: the shared part of the covariance of the differences
        is the control's variance, the rest of each variance the lot's own.
        """
        if not samples:
            return ()
        weights = np.array([self._unit(s) - self._unit(control) for s in samples])
        differences = [self._estimate(row) for row in weights]
        family = _Family(
            size=len(samples),
            degrees_of_freedom=min(d.degrees_of_freedom for d in differences),
            sided="two" if alternative == "different" else "one",
            numbers=_effective_numbers(weights @ self._fit.adjusted_covariance[0] @ weights.T),
        )
        critical = family.critical_value(1.0 - level)
        made = []
        for name, found in zip(samples, differences, strict=True):
            half = critical * found.standard_error
            t = found.estimate / found.standard_error
            made.append(
                Comparison(
                    sample=name,
                    control=control,
                    difference=found,
                    critical_value=critical,
                    level=level,
                    lower=found.estimate - half if alternative == "different" else -np.inf,
                    upper=found.estimate + half,
                    p_value=family.p_value(-t),
                    alternative=alternative,
                )
            )
        return tuple(made)

    def to_frame(self, *, level: float = 0.95) -> pd.DataFrame:
        """Means, indexed by ``sample``.

        Columns ``scores``, ``mean``, ``standard_error``, ``degrees_of_freedom``, ``lower``,
        ``upper`` (two-sided at ``level``).
        """
        rows = []
        for sample in self.samples:
            found = self.mean(sample)
            low, high = found.interval(level)
            rows.append(
                {
                    "sample": sample,
                    "scores": self.scores_of[sample],
                    "mean": found.estimate,
                    "standard_error": found.standard_error,
                    "degrees_of_freedom": found.degrees_of_freedom,
                    "lower": low,
                    "upper": high,
                }
            )
        return pd.DataFrame(rows).set_index("sample")

    def _unit(self, sample: str) -> Array:
        if sample not in self.samples:
            raise RangeError(
                f"{sample} has no scores in this model; it holds {', '.join(self.samples)}."
            )
        weights = np.zeros(self._fit.fixed.shape[1])
        weights[self.samples.index(sample)] = 1.0
        return weights

    def _estimate(self, weights: Array) -> Estimate:
        value, error, freedom = self._fit.contrast(weights)
        return Estimate(float(value[0]), float(error[0]), float(freedom[0]))


def fit_mixed_model(
    assessors: Sequence[Hashable],
    samples: Sequence[Hashable],
    scores: Sequence[float],
    *,
    sittings: Sequence[Hashable] | None = None,
    resolution: float = 0.0,
) -> MixedModel:
    """Fit by restricted maximum likelihood.

    Parameters
    ----------
    assessors, samples, scores : equally long, one entry per score given. Leave out servings
        without a score. Repeats of a sample carry the same name.
    sittings : sitting of each score, where several are judged together.
    resolution : step to which scores are read [score]; the residual variance is not taken
        below the variance of that rounding, step squared / 12.

    Returns
    -------
    MixedModel

    Raises
    ------
    ValueError : columns of unequal length.
    RangeError : fewer than two assessors, a score that is not finite, samples that no assessor
        links, or scores without any variation and no resolution given.
    ConvergenceError : the likelihood did not settle.

    Examples
    --------
    >>> fit = fit_mixed_model(
    ...     ["A1", "A1", "A2", "A2", "A3", "A3"],
    ...     ["lot", "control"] * 3,
    ...     [7.0, 7.5, 6.0, 7.0, 7.0, 8.5],
    ... )
    >>> found = fit.difference("lot", "control")
    >>> round(found.estimate, 3), round(found.standard_error, 3)
    (-1.0, 0.289)
    >>> round(found.degrees_of_freedom, 3)
    2.0
    """
    layout, table = _lay_out(assessors, samples, scores, sittings)
    kernels = layout.kernels()
    design = layout.design()
    _check_linked(design, layout)
    if resolution == 0.0 and _flat(table, layout):
        raise RangeError(
            "The scores do not vary at all, so no interval can be given. State the step to"
            " which scores are read."
        )
    fit = fit_reml(
        table[None],
        design,
        np.array(list(kernels.values())),
        layout.present[None],
        least_residual=resolution**2 / 12.0,
    )
    if not fit.settled[0]:
        raise ConvergenceError("The variance components did not settle; look at the scores.")
    counts = {
        name: int((layout.present & (layout.sample_at == i)).sum())
        for i, name in enumerate(layout.samples)
    }
    return MixedModel(
        samples=layout.samples,
        assessors=len(table),
        scores=int(layout.present.sum()),
        scores_of=counts,
        components=dict(zip(kernels, (float(t) for t in fit.theta[0]), strict=True)),
        deviance=float(fit.deviance[0]),
        _fit=fit,
    )


@dataclass(frozen=True, slots=True)
class _Family:
    """Lots compared with one control, as the Dunnett functions want them."""

    size: int
    degrees_of_freedom: float
    sided: Literal["one", "two"]
    numbers: tuple[list[float], float] | None

    def critical_value(self, alpha: float) -> float:
        sizes, control = self.numbers or (None, None)
        return dunnett_critical(
            self.size,
            self.degrees_of_freedom,
            alpha,
            sided=self.sided,
            sizes=sizes,
            control_size=control,
        )

    def p_value(self, t: float) -> float:
        sizes, control = self.numbers or (None, None)
        return dunnett_p_value(
            t,
            self.size,
            self.degrees_of_freedom,
            sided=self.sided,
            sizes=sizes,
            control_size=control,
        )


def _effective_numbers(covariance: Array) -> tuple[list[float], float] | None:
    """Numbers of scores that would give such differences; None for a single one."""
    size = len(covariance)
    if size == 1:
        return None
    shared = (covariance.sum() - np.trace(covariance)) / (size * (size - 1))
    own = np.diag(covariance) - shared
    if shared <= 0 or (own <= 0).any():
        raise ConvergenceError("The differences from the control do not share its variance.")
    return [float(shared / part) for part in own], 1.0


def _lay_out(
    assessors: Sequence[Hashable],
    samples: Sequence[Hashable],
    scores: Sequence[float],
    sittings: Sequence[Hashable] | None,
) -> tuple[Layout, Array]:
    occasion = ["sitting"] * len(scores) if sittings is None else list(sittings)
    if not len(assessors) == len(samples) == len(scores) == len(occasion):
        raise ValueError("assessors, samples, scores and sittings must be equally long")
    frame = pd.DataFrame(
        {
            "assessor": [str(a) for a in assessors],
            "sample": [str(s) for s in samples],
            "sitting": [str(s) for s in occasion],
            "score": np.asarray(scores, dtype=float),
        }
    )
    if not np.isfinite(frame["score"]).all():
        raise RangeError("A score is not a finite number. Leave servings without a score out.")
    if frame["assessor"].nunique() < 2:
        raise RangeError("An interval over assessors needs the scores of at least two of them.")
    who, _ = pd.factorize(frame["assessor"])
    what, names = pd.factorize(frame["sample"])
    when, days = pd.factorize(frame["sitting"])
    place = frame.groupby(who).cumcount().to_numpy()
    shape = (int(who.max()) + 1, int(place.max()) + 1)
    sample_at, sitting_at = np.zeros(shape, dtype=np.int64), np.zeros(shape, dtype=np.int64)
    present, table = np.zeros(shape, dtype=bool), np.zeros(shape)
    sample_at[who, place], sitting_at[who, place] = what, when
    present[who, place], table[who, place] = True, frame["score"]
    return Layout(tuple(names), tuple(days), sample_at, sitting_at, present), table


def _check_linked(design: Array, layout: Layout) -> None:
    flat = design.reshape(-1, design.shape[-1])
    if np.linalg.matrix_rank(flat) < flat.shape[1]:
        raise RangeError(
            f"Sittings {', '.join(layout.sittings)} have no sample in common, so their scores"
            " cannot be judged together. Serve the same blind control in each."
        )
    freedom = int(layout.present.sum()) - flat.shape[1]
    if freedom < 1:
        raise RangeError(
            f"{int(layout.present.sum())} scores cannot give {flat.shape[1]} means and their"
            " spread. More scores are needed."
        )


def _flat(table: Array, layout: Layout) -> bool:
    """Whether scores show no variation within their sample."""
    for i in range(len(layout.samples)):
        own = table[layout.present & (layout.sample_at == i)]
        if np.ptp(own) > 0:
            return False
    return True
