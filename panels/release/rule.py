"""The release rule: what a house declares, per liquid, before a sitting.

Owns the rule's form, its versions and its fingerprint. A rule is never changed: a new version
is declared, and every sitting and decision names the version and fingerprint it stands on. No
published standard sets a release rule for distillates; the parts are standard procedures, the
limits are the house's own.
"""

from __future__ import annotations

import datetime
import hashlib
from enum import StrEnum
from typing import Annotated, Self

from pydantic import Field, model_validator

from bulkflow.lots.bodies import Identifier
from bulkflow.reading.shape import pattern
from bulkflow.records import Body
from bulkflow.records.canonical import canonical_text

__all__ = [
    "ConfirmationRule",
    "Decides",
    "OffNoteRule",
    "OutsideWindow",
    "PanelAssumptions",
    "QuarterLots",
    "ReleaseRule",
    "ScoreRule",
    "ValidityRule",
]

Finite = Annotated[float, Field(allow_inf_nan=False)]
Chance = Annotated[float, Field(gt=0, lt=1, allow_inf_nan=False)]
Portion = Annotated[float, Field(gt=0, le=1, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
Spread = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Note = Annotated[
    str,
    Field(
        max_length=60,
        pattern=pattern(
            r"^[^\W\d_][\w \-]*$", "Start with a letter; use letters, digits, spaces, _ and - only."
        ),
    ),
]


class Decides(StrEnum):
    """Which estimate of the primary score has to clear its limit."""

    MEAN = "mean"
    DIFFERENCE = "difference"
    BOTH = "both"


class OutsideWindow(StrEnum):
    """What becomes of a serving nosed too early or too late."""

    EXCLUDE = "exclude"
    KEEP = "keep"


class ScoreRule(Body):
    """How the primary score decides.

    Parameters
    ----------
    lowest, highest, step : the scale, release quality 0 to 10 unless said otherwise.
    decides : the lot's mean, its difference from the blind control, or both.
    minimum : the lot's true mean must lie above it [score].
    largest_drop : the lot may lie at most this far below its blind control [score].
    level : one-sided risk of releasing a lot that sits exactly on a limit, over the first
        sitting and all retests together.
    day_sd : how far the whole panel's level may move from one day to the next. One sitting
        cannot show it, so it is added to what the scores show of a mean; a difference from the
        control of the same day is free of it [score].
    replicate_sd : spread of a sample made up anew, alike for everyone who noses it; added to
        means and differences in the same way [score].
    """

    lowest: Finite = 0.0
    highest: Finite = 10.0
    step: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 0.5
    decides: Decides = Decides.BOTH
    minimum: Finite | None = None
    largest_drop: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = None
    level: Annotated[float, Field(gt=0, le=0.2, allow_inf_nan=False)] = 0.05
    day_sd: Spread = 0.4
    replicate_sd: Spread = 0.1

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.highest <= self.lowest:
            raise ValueError("highest must lie above lowest")
        if self.needs_mean and self.minimum is None:
            raise ValueError(f"decides is {self.decides.value}, so a minimum is needed")
        if self.needs_difference and self.largest_drop is None:
            raise ValueError(f"decides is {self.decides.value}, so a largest_drop is needed")
        if self.minimum is not None and not self.lowest < self.minimum < self.highest:
            raise ValueError("minimum must lie inside the scale")
        return self

    @property
    def needs_mean(self) -> bool:
        """Whether the lot's own mean decides."""
        return self.decides is not Decides.DIFFERENCE

    @property
    def needs_difference(self) -> bool:
        """Whether the difference from the blind control decides."""
        return self.decides is not Decides.MEAN


class ConfirmationRule(Body):
    """How a suspected off-note is confirmed or laid to rest.

    Parameters
    ----------
    alpha : risk of confirming an off-note that is not there (3-AFC, 'which has the off-note').
    share_of_discriminators : the share of assessors that must not be able to tell the lot from
        the reference, for the similarity test that alone can clear the lot.
    beta : risk of calling the lot similar when that share can tell, over all tests of one
        off-note on one lot together.
    beta_spending : share of beta for the first test of an off-note on a lot, the second, ...;
        its length is how many there may be. They do not rise, and add up to 1 at most, so that
        testing on until one test succeeds gains nothing.
    fewest_assessments : answers of a test; with fewer none is planned, and no conclusion drawn.
    """

    alpha: Chance = 0.05
    share_of_discriminators: Chance = 0.3
    beta: Chance = 0.05
    beta_spending: Annotated[tuple[Portion, ...], Field(min_length=1, max_length=3)] = (1.0,)
    fewest_assessments: Annotated[int, Field(ge=6)] = 18

    @model_validator(mode="after")
    def _spent_once(self) -> Self:
        if sum(self.beta_spending) > 1.0 + 1e-12:
            raise ValueError("the shares of beta_spending add up to more than 1")
        if list(self.beta_spending) != sorted(self.beta_spending, reverse=True):
            raise ValueError("the shares of beta_spending rise")
        return self

    @property
    def tests(self) -> int:
        """How many tests of one off-note on one lot there may be."""
        return len(self.beta_spending)

    def beta_at(self, test: int) -> float | None:
        """Risk that the first test (1) or a further one may run; None past the last."""
        return self.beta * self.beta_spending[test - 1] if test <= self.tests else None


class OffNoteRule(Body):
    """When naming an off-note stops a lot.

    Parameters
    ----------
    assessors : so many assessors who independently name the same note stop the lot.
    least_intensity : a mark counts from this intensity on.
    highest_intensity : top of the intensity scale, which starts at 1.
    false_alarm_chance : largest chance, over the whole house list, that assessors who name
        notes as often as on the blind controls reach the count found.
    confirmation : what follows.
    """

    assessors: Annotated[int, Field(ge=2)] = 3
    least_intensity: Annotated[int, Field(ge=1)] = 1
    highest_intensity: Annotated[int, Field(ge=1)] = 5
    false_alarm_chance: Chance = 0.05
    confirmation: ConfirmationRule = ConfirmationRule()

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.least_intensity > self.highest_intensity:
            raise ValueError("least_intensity lies above highest_intensity")
        return self


class ValidityRule(Body):
    """When a sitting counts.

    Parameters
    ----------
    fewest_assessors : with valid scores of the lot; below it the lot is held and nosed again.
    control_minimum : the blind control's mean must reach it, or the sitting is void [score].
    largest_repeat_difference : mean absolute difference between blind repeats of one sample
        above which the sitting is void [score].
    outside_window : what becomes of servings nosed outside their time window.
    check_level : a sitting that serves spiked or known-poor samples is void unless its
        assessors score them below the control, at this one-sided level.
    most_void : so many void sittings may be held again for one lot; then a person decides.
    furthest_apart : sittings judged together whose differences from the control lie further
        apart than this release nothing: a person looks at what changed [score].
    """

    fewest_assessors: Annotated[int, Field(ge=3)] = 8
    control_minimum: Finite
    largest_repeat_difference: Annotated[float, Field(gt=0, allow_inf_nan=False)]
    outside_window: OutsideWindow = OutsideWindow.EXCLUDE
    check_level: Annotated[float, Field(gt=0, le=0.2, allow_inf_nan=False)] = 0.05
    most_void: Annotated[int, Field(ge=0, le=4)] = 2
    furthest_apart: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 2.0


class QuarterLots(Body):
    """Lots of a quarter that are alike.

    Parameters
    ----------
    lots : how many.
    quality : their true mean; left out, as good as the control [score].
    noticing_share : share of assessors who notice a taint in them.
    """

    lots: Annotated[int, Field(ge=1, le=10000)]
    quality: Finite | None = None
    noticing_share: Share = 0.0


class PanelAssumptions(Body):
    """What the operating characteristic takes the panel and its sittings to be.

    Parameters
    ----------
    assessors : number that sit.
    lots, control_glasses : lots, and glasses of the blind control, per assessor and sitting.
    repeats : blind repeats of a lot beside the judged one.
    check_glasses : known-poor samples per assessor and sitting.
    control_quality : true mean of the control [score].
    check_drop : how far a known-poor sample lies below it [score].
    assessor_sd, interaction_sd, residual_sd : spread between assessors, of assessor by sample,
        and of one assessor nosing the same again [score].
    assessor_sitting_sd, day_sd, replicate_sd : spread of an assessor from one sitting to the
        next, of the whole panel from day to day, and of a sample made up anew [score].
    missing_share : share of servings without a valid score.
    false_alarm_share : chance that an assessor names a given off-note where there is none.
    miss_share : chance that an assessor who can notice a taint misses it in a glass.
    noticed_drop : how much an assessor who notices a taint takes off the score.
    confirmation_assessors, confirmation_sets : people, and sets for each, at a confirmation.
    quarter : the lots of a quarter, to say what the rule does to them all.
    """

    assessors: Annotated[int, Field(ge=3, le=60)] = 10
    lots: Annotated[int, Field(ge=1, le=12)] = 3
    control_glasses: Annotated[int, Field(ge=1, le=4)] = 2
    repeats: Annotated[int, Field(ge=0, le=2)] = 0
    check_glasses: Annotated[int, Field(ge=0, le=2)] = 0
    control_quality: Finite = 7.5
    check_drop: Spread = 2.0
    assessor_sd: Spread = 0.6
    interaction_sd: Spread = 0.35
    residual_sd: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 0.6
    assessor_sitting_sd: Spread = 0.2
    day_sd: Spread = 0.4
    replicate_sd: Spread = 0.1
    missing_share: Annotated[float, Field(ge=0, le=0.5, allow_inf_nan=False)] = 0.03
    false_alarm_share: Share = 0.02
    miss_share: Share = 0.1
    noticed_drop: Spread = 2.0
    confirmation_assessors: Annotated[int, Field(ge=1, le=200)] = 10
    confirmation_sets: Annotated[int, Field(ge=1, le=3)] = 2
    quarter: tuple[QuarterLots, ...] = (
        QuarterLots(lots=26),
        QuarterLots(lots=2, quality=6.0),
        QuarterLots(lots=2, noticing_share=0.5),
    )


class ReleaseRule(Body):
    """One version of the release rule of one liquid.

    Parameters
    ----------
    liquid : as the workspace names it.
    version : 1, 2, ... per liquid.
    declared : date from which it holds; sittings before it cannot use it.
    declared_by : who answers for it.
    standard : name of the approved reference standard.
    off_note_list : the house list of off-notes that may be named.
    spending : share of the level spent at the first sitting and at each retest; its length
        less one is the number of retests. Shares add up to 1 at most, so that the chance of
        ever releasing a lot that sits on a limit stays at the level (Bonferroni's bound; it
        holds whatever the dependence between first sitting and retest).
    """

    liquid: Identifier
    version: Annotated[int, Field(ge=1)]
    declared: datetime.date
    declared_by: Identifier
    standard: Identifier
    score: ScoreRule
    off_notes: OffNoteRule = OffNoteRule()
    off_note_list: Annotated[tuple[Note, ...], Field(min_length=1)]
    validity: ValidityRule
    spending: Annotated[tuple[Portion, ...], Field(min_length=1, max_length=4)] = (0.5, 0.5)
    assumptions: PanelAssumptions = PanelAssumptions()

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if sum(self.spending) > 1.0 + 1e-12:
            raise ValueError("the shares of spending add up to more than 1")
        if len(set(self.off_note_list)) < len(self.off_note_list):
            raise ValueError("off_note_list names a note twice")
        if self.off_notes.assessors > self.validity.fewest_assessors:
            raise ValueError("off_notes.assessors is more than fewest_assessors")
        scale = self.score
        if not scale.lowest < self.validity.control_minimum < scale.highest:
            raise ValueError("control_minimum must lie inside the scale")
        if not scale.lowest < self.assumptions.control_quality <= scale.highest:
            raise ValueError("control_quality must lie inside the scale")
        for name in ("day_sd",) * scale.needs_mean + ("replicate_sd",):
            allowed, assumed = getattr(scale, name), getattr(self.assumptions, name)
            if assumed > allowed:
                raise ValueError(
                    f"score.{name} allows for {allowed:g} and assumptions.{name} is {assumed:g}, so"
                    " the level would not hold"
                )
        return self

    @property
    def name(self) -> str:
        """Liquid and version, such as ``VK-DRY v1``."""
        return f"{self.liquid} v{self.version}"

    @property
    def retests(self) -> int:
        """How many retests the rule allows."""
        return len(self.spending) - 1

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the canonical form: what a sitting and a decision name."""
        form = canonical_text(self.model_dump(mode="json", exclude_none=True))
        return hashlib.sha256(form.encode()).hexdigest()

    @property
    def statistics(self) -> str:
        """What of the rule bears on its risks, in canonical form: all but names and dates."""
        parts = self.model_dump(
            mode="json", include={"score", "off_notes", "validity", "spending", "assumptions"}
        )
        return canonical_text([parts, len(self.off_note_list)])

    def level_at(self, look: int) -> float:
        """One-sided level spent at the first sitting (1) or a retest (2, ...)."""
        return self.score.level * self.spending[look - 1]
