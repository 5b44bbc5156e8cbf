"""Panels in a notebook: methods on data frames, a rule's characteristic, a sitting judged.

Every answer shows itself as a short table, gives its rows as a pandas frame, and keeps the whole
result of the method behind it. The figures are those of the command line.

>>> import pandas as pd
>>> import panels
>>> panels.difference_test("triangle", correct=19, n=36)
triangle test: 19 of 36 correct, p 0.0125 (5 % from 18 on)
>>> scores = pd.DataFrame(
...     [
...         (who, what, 7.0 + step * (what == "lot") + who / 10)
...         for who, step in enumerate((-0.5, -1.0, 0.0, -0.5, -1.0))
...         for what in ("control", "lot")
...     ],
...     columns=["assessor", "sample", "score"],
... )
>>> found = panels.mixed_model(scores, control="control")
>>> round(float(found.frame.loc["lot", "difference"]), 2)
-0.6
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from bulkflow.errors import Fault, InputError
from bulkflow.lots.register import open_register
from bulkflow.reading.words import did_you_mean
from bulkflow.records import settings_for
from panels.assessors.performance import performance_from_table
from panels.methods import discrimination, ranking
from panels.methods.mixed_model import Estimate, fit_mixed_model
from panels.methods.protocols import MethodName, Sided
from panels.records import PANELS
from panels.release.characteristic import Characteristic, operating_characteristic, quarter_risk
from panels.release.files import read_characteristic, read_rules
from panels.release.rule import ReleaseRule
from panels.release.words import rule_lines
from panels.sittings.analysis import SittingAnalysis
from panels.sittings.deciding import Judgement, judge_sitting
from panels.sittings.history import find_sitting

__all__ = [
    "Result",
    "Rule",
    "Sitting",
    "difference_test",
    "friedman",
    "mixed_model",
    "performance",
    "rule",
    "sitting",
]

MOST_ROWS = 24
FOLDED_DIGITS = 3


@dataclass(frozen=True)
class Result:
    """An answer: a sentence, a frame of its rows, and the method's whole result behind them."""

    words: str
    frame: pd.DataFrame
    result: Any

    def __repr__(self) -> str:
        return _shown(self.words, self.frame)


def difference_test(
    method: MethodName, *, correct: int, n: int, alpha: float = 0.05, sided: Sided = "one"
) -> Result:
    """Test a forced-choice difference; see `panels.methods.discrimination.difference_test`."""
    found = discrimination.difference_test(method, correct, n, alpha=alpha, sided=sided)
    least = "never" if found.critical is None else f"from {found.critical} on"
    words = (
        f"{found.method.value} test: {correct} of {n} correct, p {_p(found.p_value)}"
        f" ({100 * alpha:g} % {least})"
    )
    return Result(words, pd.DataFrame(), found)


def friedman(
    frame: pd.DataFrame, *, assessor: str = "assessor", sample: str = "sample", value: str = "rank"
) -> Result:
    """Test ranks, or scores to be ranked, of a long table; one row an assessor and sample.

    Raises
    ------
    InputError : an assessor who lacks a sample, or has it twice.
    """
    _has(frame, assessor, sample, value)
    if frame.duplicated([assessor, sample]).any():
        raise _refused(sample, "stands twice for an assessor", "Give one row for each.")
    wide = frame.pivot(index=assessor, columns=sample, values=value)
    if wide.isna().any(axis=None):
        raise _refused(sample, "is missing for an assessor", "Everyone ranks every sample.")
    found = ranking.friedman(wide.to_numpy(dtype=float))
    sums = pd.DataFrame({"rank_sum": found.rank_sums}, index=wide.columns)
    words = f"Friedman {found.statistic:.3f}, {found.df} df, p {_p(found.p_value)} ({found.method})"
    return Result(words, sums, found)


def performance(
    frame: pd.DataFrame,
    *,
    assessor: str = "assessor",
    product: str = "product",
    score: str = "score",
) -> Result:
    """Say how each assessor did in a trial; see `panels.assessors.performance`."""
    _has(frame, assessor, product, score)
    found = performance_from_table(frame, assessor=assessor, product=product, score=score)
    words = (
        f"{len(found.assessors)} assessors, standard deviation of replicates"
        f" {found.repeatability:.2f}, interaction over error {found.interaction_ratio:.2f}"
    )
    return Result(words, found.to_frame(), found)


def mixed_model(
    frame: pd.DataFrame,
    *,
    control: str | None = None,
    assessor: str = "assessor",
    sample: str = "sample",
    score: str = "score",
    sitting: str | None = None,
) -> Result:
    """Fit the model that decides on lots to a long table of scores; rows without a score stay out.

    Parameters
    ----------
    control : sample that all others are held against; adds ``difference``, ``difference_lower``
        and ``difference_upper`` (95 %) to the frame.
    sitting : column of sittings, where there are several.
    """
    _has(frame, assessor, sample, score, *((sitting,) if sitting else ()))
    used = frame.dropna(subset=[score])
    model = fit_mixed_model(
        used[assessor].astype(str).tolist(),
        used[sample].astype(str).tolist(),
        used[score].astype(float).tolist(),
        sittings=used[sitting].astype(str).tolist() if sitting else None,
    )
    means = model.to_frame()
    if control is not None:
        gaps = {one: model.difference(one, control) for one in model.samples if one != control}
        means["difference"] = pd.Series({name: gap.estimate for name, gap in gaps.items()})
        limits = {name: gap.interval() for name, gap in gaps.items()}
        for place, name in enumerate(("difference_lower", "difference_upper")):
            means[name] = pd.Series({one: pair[place] for one, pair in limits.items()})
    parts = ", ".join(f"{name} {value**0.5:.2f}" for name, value in model.components.items())
    words = f"{model.scores} scores of {model.assessors} assessors; spread: {parts}"
    return Result(words, means, model)


@dataclass(frozen=True)
class Rule:
    """A release rule with what it does to lots."""

    rule: ReleaseRule
    characteristic: Characteristic

    @property
    def words(self) -> list[str]:
        """The rule, a sentence a part."""
        return rule_lines(self.rule)

    @cached_property
    def points(self) -> pd.DataFrame:
        """Chances of release, hold and reject; index ``axis`` and ``value``."""
        rows = [point.model_dump() for point in self.characteristic.points]
        frame = pd.DataFrame(rows).set_index(["axis", "value"])
        return frame[["release", "hold", "reject", "draws"]]

    def simulated(self, *, seed: int = 1, standard_error: float = 0.02, **changes: Any) -> Rule:
        """Return the rule, some of its fields changed, with its risks simulated anew.

        Parameters
        ----------
        changes : fields of the rule, such as ``spending=(1.0,)``, or whole parts of it.
        """
        fields = self.rule.model_dump() | changes
        changed = ReleaseRule.model_validate(fields)
        found = operating_characteristic(changed, seed=seed, standard_error=standard_error)
        return Rule(changed, found)

    def __repr__(self) -> str:
        risk = quarter_risk(self.rule, self.characteristic)
        return _shown(
            f"{self.rule.name}: {self.characteristic.draws} lots simulated at each point; of the"
            f" bad lots of a quarter {risk.bad_released:.2f} are released on average",
            self.points.drop(columns="draws"),
        )


def rule(folder: str | Path, liquid: str) -> Rule:
    """Return the newest rule of a liquid in a workspace's files, with its stored risks.

    Raises
    ------
    InputError : there is no such rule, or its risks are not stored (`panels rule risks`).
    """
    panel = Path(folder) / "panel"
    rules = read_rules(panel / "rules.yaml")
    own = sorted((one for one in rules if one.liquid == liquid), key=lambda one: one.version)
    if not own:
        known = sorted({one.liquid for one in rules})
        raise _refused("liquid", f"{liquid} has no rule", did_you_mean(liquid, known))
    stored = read_characteristic(panel, own[-1])
    if stored is None:
        raise _refused(own[-1].name, "has no stored risks", "Compute them: panels rule risks.")
    return Rule(own[-1], stored)


@dataclass(frozen=True)
class Sitting:
    """A closed sitting and what the rules make of its lots."""

    analysis: SittingAnalysis
    judgements: dict[str, Judgement]

    @cached_property
    def scores(self) -> pd.DataFrame:
        """Every glass that came back, with what was in it."""
        return pd.DataFrame(
            {
                "assessor": one.assessor,
                "code": one.glass.code,
                "sample": one.subject,
                "liquid": one.liquid,
                "purpose": one.purpose,
                "score": one.glass.score,
                "counts": one.counts,
                "off_notes": ", ".join(mark.note for mark in one.glass.off_notes),
            }
            for one in self.analysis.answers
        )

    @cached_property
    def controls(self) -> pd.DataFrame:
        """The checks that a sitting has to pass to count."""
        rows = [(c.what, c.found, c.limit, c.passed) for c in self.analysis.checks]
        return pd.DataFrame(rows, columns=["check", "found", "needed", "passed"])

    @cached_property
    def lots(self) -> pd.DataFrame:
        """Estimates with 95 % limits, verdict and next step, by lot."""
        rows = {}
        for lot, judgement in self.judgements.items():
            figures = judgement.course.figures[self.analysis.name]
            rows[lot] = {
                "assessors": figures.assessors,
                **_limits("mean", figures.mean),
                **_limits("difference", figures.difference),
                "verdict": judgement.verdict.value,
                "next": judgement.next_step.value,
                "why": judgement.why,
            }
        return pd.DataFrame.from_dict(rows, orient="index").rename_axis("lot")

    def __repr__(self) -> str:
        void = ", VOID" if self.analysis.void else ""
        shown = self.lots[["assessors", "mean", "difference", "verdict"]]
        return _shown(f"{self.analysis.name}, {self.analysis.held.sitting.held_on}{void}", shown)


def sitting(folder: str | Path, name: str, *, database: str | None = None) -> Sitting:
    """Judge a closed sitting in a workspace's register; nothing is written.

    Raises
    ------
    InputError : there is no such sitting, or it is not closed.
    """
    settings = settings_for(Path(folder), database)
    with open_register(settings, PANELS, create=False) as store, store.read() as session:
        analysis, judgements = judge_sitting(session, find_sitting(session, name))
    return Sitting(analysis, judgements)


def _limits(name: str, found: Estimate | None) -> dict[str, float | None]:
    low, high = (None, None) if found is None else found.interval()
    return {
        name: None if found is None else found.estimate,
        f"{name}_lower": low,
        f"{name}_upper": high,
    }


def _has(frame: pd.DataFrame, *columns: str) -> None:
    for column in columns:
        if column not in frame.columns:
            known = [str(one) for one in frame.columns]
            raise _refused(column, "is no column of the frame", did_you_mean(column, known))


def _refused(where: str, found: str, mend: str) -> InputError:
    return InputError(Fault("", 0, where, found, mend))


def _p(p: float) -> str:
    return "< 0.001" if p < 0.001 else f"{p:.4f}"


def _shown(words: str, frame: pd.DataFrame) -> str:
    if frame.empty:
        return words
    text = frame.head(MOST_ROWS).round(FOLDED_DIGITS).to_string()
    more = len(frame) - MOST_ROWS
    return "\n".join([words, text, *([f"... {more} more rows"] if more > 0 else [])])
