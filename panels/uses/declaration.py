"""Rules of the uses: declared in a YAML file before the first glass, read with every fault.

Each file holds ``use`` (which of the uses it is for), the day it was declared and by whom, and the
risks. Unknown fields are faults.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated, Literal, TypeVar

from pydantic import Field, field_validator, model_validator

from bulkflow.errors import InputError
from bulkflow.reading.yamlfile import read_yaml
from bulkflow.records import Body
from panels.errors import RangeError
from panels.methods.protocols import ForcedChoice
from panels.release.rule import ConfirmationRule

__all__ = [
    "ArrivalRule",
    "Declaration",
    "DriftRule",
    "OffNoteUseRule",
    "PanelRule",
    "SensitivityRule",
    "SiteRule",
    "SourceRule",
    "read_any_declaration",
    "read_declaration",
]

Chance = Annotated[float, Field(gt=0.0, lt=0.5)]
Share = Annotated[float, Field(gt=0.0, lt=1.0)]
Text = Annotated[str, Field(min_length=1, max_length=200)]


class Declaration(Body):
    """What every declaration holds.

    Parameters
    ----------
    declared : day of the declaration; answers must be younger.
    declared_by : who declared it.
    """

    declared: date
    declared_by: Text


class _WithTest(Declaration):
    test: str

    @field_validator("test")
    @classmethod
    def _known_test(cls, name: str) -> str:
        try:
            return ForcedChoice.of(name).value
        except RangeError as error:
            raise ValueError(str(error).rstrip(".")) from error


class SourceRule(_WithTest):
    """When a second source of spirit is qualified.

    Parameters
    ----------
    subject, standard : the source under trial, and the approved one.
    test : forced-choice test.
    share_of_discriminators : the share of assessors who may not notice a difference.
    beta : risk, at each delivery, of calling similar what that share notices. Since every delivery
        must pass, it is also the largest risk of qualifying a source with such a delivery.
    alpha : level at which a delivery counts as different.
    deliveries : fewest deliveries, each nosed by itself.
    assessments : fewest valid answers to each, one an assessor.
    """

    use: Literal["source"]
    subject: Text
    standard: Text
    share_of_discriminators: Share
    beta: Chance
    alpha: Chance
    deliveries: Annotated[int, Field(ge=2, le=50)]
    assessments: Annotated[int, Field(ge=12, le=1000)]


class SiteRule(Declaration):
    """When a new bottling site is approved.

    Parameters
    ----------
    subject, standard : the site on trial, and the standard it must keep.
    control : what the blind control is called in the scores.
    highest : top of the scale of differences, which starts at 0.
    largest_difference : of a run from the blind control, on that scale, that is still tolerated.
    risk : of approving although a run lies at that difference or beyond.
    runs : fewest trial runs.
    assessors : fewest assessors.
    """

    use: Literal["site"]
    subject: Text
    standard: Text
    control: Text = "control"
    highest: Annotated[float, Field(gt=0.0, le=1000.0)] = 10.0
    largest_difference: Annotated[float, Field(gt=0.0)]
    risk: Chance = 0.05
    runs: Annotated[int, Field(ge=2, le=50)]
    assessors: Annotated[int, Field(ge=5, le=200)]

    @model_validator(mode="after")
    def _inside_the_scale(self) -> SiteRule:
        if self.largest_difference >= self.highest:
            raise ValueError(
                f"largest_difference is {self.largest_difference:g}, not below the top of the"
                f" scale, {self.highest:g}"
            )
        return self


class ArrivalRule(_WithTest):
    """When bulk that arrived is accepted, trial by trial (ISO 16820).

    Parameters
    ----------
    subject, standard : what arrives, and the sample retained at loading.
    test : forced-choice test (ISO 16820 speaks of triangle, duo-trio, 2-AFC and 3-AFC).
    share_of_discriminators : the share who may not notice a difference.
    alpha : risk of holding a load that is the same.
    beta : risk of accepting one that this share can tell.
    most_trials : where the test stops undecided; the load is then held.
    """

    use: Literal["arrival"]
    subject: Text
    standard: Text
    share_of_discriminators: Share
    alpha: Chance
    beta: Chance
    most_trials: Annotated[int, Field(ge=4, le=500)]


class SensitivityRule(Body):
    """Whose answers count for an off-note.

    Parameters
    ----------
    largest_p : an assessor is sensitive whose record in directed tests would be luck with at most
        this exact chance.
    fewest_assessors : fewer sensitive assessors decide nothing.
    """

    largest_p: Chance = 0.05
    fewest_assessors: Annotated[int, Field(ge=2, le=100)] = 4


class OffNoteUseRule(Declaration):
    """When an off-note is confirmed, and when laid to rest.

    Parameters
    ----------
    lot, note : what is suspected of what.
    confirmation : as in the release rule: risks, share and fewest answers of the 3-AFC test.
    sensitivity : whose answers count.
    """

    use: Literal["off-note"]
    lot: Text
    note: Text
    confirmation: ConfirmationRule
    sensitivity: SensitivityRule = SensitivityRule()


class DriftRule(Body):
    """How the reference's score is watched; see ``panels.assessors.drift.DriftSettings``."""

    baseline: Annotated[int, Field(ge=5, le=100)] = 8
    agreed: float | None = None
    resolution: Annotated[float, Field(ge=0.0, le=10.0)] = 0.1
    weight: Annotated[float, Field(gt=0.0, le=1.0)] = 0.2
    width: Annotated[float, Field(gt=0.0, le=10.0)] = 2.86
    slack: Annotated[float, Field(ge=0.0, le=10.0)] = 0.5
    decision: Annotated[float, Field(gt=0.0, le=20.0)] = 5.0


class PanelRule(Declaration):
    """What is asked of an assessor; see ``panels.assessors.selection.SelectionRule``.

    Parameters
    ----------
    valid_months : how long a qualification holds.
    trainings : what an assessor must have been trained in, too.
    """

    use: Literal["panel"]
    name: Text
    version: Text
    highest: Annotated[float, Field(gt=0.0, le=1000.0)] = 10.0
    largest_discrimination_p: Share = 0.30
    repeatability_alpha: Chance = 0.01
    least_agreement: Annotated[float, Field(ge=-1.0, le=1.0)] = 0.60
    largest_bias: Annotated[float, Field(gt=0.0)] = 1.0
    least_slope: float = 0.5
    largest_slope: float = 1.5
    largest_sensitivity_p: Chance = 0.05
    drift: DriftRule = DriftRule()
    valid_months: Annotated[int, Field(ge=1, le=60)] = 12
    trainings: tuple[Text, ...] = ()

    @model_validator(mode="after")
    def _slopes_in_order(self) -> PanelRule:
        if self.least_slope >= self.largest_slope:
            raise ValueError("least_slope is not below largest_slope")
        return self


D = TypeVar("D", bound=Declaration)


def read_declaration(path: Path, form: type[D]) -> D:
    """Return the declaration in a file.

    Raises
    ------
    InputError
        With every fault of the file, each with its line.
    """
    return read_yaml(path).as_record(form)


_FORMS: dict[str, type[Declaration]] = {
    "source": SourceRule,
    "site": SiteRule,
    "arrival": ArrivalRule,
    "off-note": OffNoteUseRule,
    "panel": PanelRule,
}


def read_any_declaration(path: Path) -> Declaration:
    """Return the declaration in a file, whatever its use.

    Raises
    ------
    InputError
        With every fault of the file; one if it names no use that is known.
    """
    file = read_yaml(path)
    use = file.entries().get("use")
    form = _FORMS.get(use) if isinstance(use, str) else None
    if form is None:
        found = "is missing" if use is None else f"is {str(use)[:40]!r}"
        raise InputError(file.fault(("use",), found, f"Give {', '.join(_FORMS)}."))
    return file.as_record(form)
