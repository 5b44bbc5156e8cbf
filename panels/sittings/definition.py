"""What a leader writes down before a sitting, and its reader."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from bulkflow.lots.bodies import Identifier
from bulkflow.reading.yamlfile import YamlDocument, read_yaml
from bulkflow.records import Body
from panels.preparation.dilution import NOSING_STRENGTH_PERCENT
from panels.records import PlainWords
from panels.serving import MAX_SERVINGS
from panels.sittings.scores import SHEET_COLUMNS

__all__ = [
    "METHOD",
    "DefinedException",
    "DefinedLot",
    "DefinedRepeat",
    "SittingDefinition",
    "read_definition",
    "served_as",
]

METHOD = "release quality of each glass scored blind beside blind controls"

Percent = Annotated[float, Field(gt=0, le=100, allow_inf_nan=False)]


class DefinedLot(Body):
    """A lot to judge: its strength as measured, or density and temperature to work it out."""

    lot: Identifier
    liquid: Identifier
    strength: Percent | None = None
    density_kg_m3: Annotated[float, Field(gt=700, lt=1010, allow_inf_nan=False)] | None = None
    temperature_c: Annotated[float, Field(ge=-20, le=40, allow_inf_nan=False)] | None = None
    suspected: bool = False

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        by_density = self.density_kg_m3 is not None and self.temperature_c is not None
        if (self.strength is not None) == by_density:
            raise ValueError("needs either strength, or density_kg_m3 and temperature_c")
        if not by_density and (self.density_kg_m3 or self.temperature_c) is not None:
            raise ValueError("needs both density_kg_m3 and temperature_c")
        return self


class DefinedRepeat(Body):
    """A second glass of a lot, coded like any other."""

    lot: Identifier
    flight: Annotated[int, Field(ge=1, le=4)] = 1


class DefinedCheck(Body):
    """A spiked or known-poor sample served to everyone: a panel that cannot tell it judges nothing.

    ``strength`` is as kept [% vol at 20 degC]; ``what`` says what was added, or is wrong with it.
    """

    sample: Identifier
    kind: Literal["spiked", "known-poor"]
    liquid: Identifier
    strength: Percent
    what: PlainWords


class DefinedException(Body):
    """An assessor who sits without being qualified, and why."""

    assessor: Identifier
    reason: PlainWords


class SittingDefinition(Body):
    """The definition of one sitting.

    Parameters
    ----------
    sitting : its name, unique.
    held_on, zone : local day, IANA zone.
    leader, coder : the coder dilutes and codes, knows the key, and may not be an assessor.
    water : what is used to dilute, with its batch.
    lots : what is judged. Suspected lots go to the second flight, for every assessor alike,
        beside another glass of the control and a repeat, so that the place tells nothing.
    repeats : blind repeats.
    checks : spiked or known-poor samples of liquids that are judged.
    control_glasses : of each liquid's standard, in every flight that has lots of the liquid.
    exceptions : assessors who sit although they are not qualified.
    max_servings : most glasses for one assessor.
    """

    sitting: Identifier
    held_on: datetime.date
    zone: str
    room: PlainWords
    leader: Identifier
    coder: Identifier
    method: Literal["scores"] = "scores"
    assessors: Annotated[tuple[Identifier, ...], Field(min_length=3, max_length=60)]
    water: PlainWords
    target_strength: Percent = NOSING_STRENGTH_PERCENT
    pour_ml: Annotated[float, Field(gt=0, le=200, allow_inf_nan=False)] = 20.0
    spare_servings: Annotated[int, Field(ge=0, le=50)] = 1
    earliest_minutes: Annotated[int, Field(ge=0, le=240)] = 15
    latest_minutes: Annotated[int, Field(ge=1, le=600)] = 60
    attributes: tuple[Identifier, ...] = ()
    lots: Annotated[tuple[DefinedLot, ...], Field(min_length=1)]
    repeats: tuple[DefinedRepeat, ...] = ()
    checks: tuple[DefinedCheck, ...] = ()
    exceptions: tuple[DefinedException, ...] = ()
    control_glasses: Annotated[int, Field(ge=1, le=3)] = 1
    max_servings: Annotated[int, Field(ge=2, le=45)] = MAX_SERVINGS

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        for what, named in (
            ("an assessor", self.assessors),
            ("a lot", [lot.lot for lot in self.lots]),
            ("an attribute", self.attributes),
            ("a sample", [lot.lot for lot in self.lots] + [poor.sample for poor in self.checks]),
        ):
            if len(set(named)) < len(named):
                raise ValueError(f"names {what} twice")
        taken = set(self.attributes) & set(SHEET_COLUMNS)
        if taken:
            raise ValueError(f"has an attribute {min(taken)}, which is a column of every sheet")
        if self.coder in self.assessors:
            raise ValueError(f"has {self.coder} code the glasses and nose them")
        if self.earliest_minutes >= self.latest_minutes:
            raise ValueError("has earliest_minutes at or above latest_minutes")
        strange = {repeat.lot for repeat in self.repeats} - {lot.lot for lot in self.lots}
        if strange:
            raise ValueError(f"repeats {min(strange)}, which is not among its lots")
        spared = {one.assessor for one in self.exceptions} - set(self.assessors)
        if spared:
            raise ValueError(f"excepts {min(spared)}, who is not among its assessors")
        other = {poor.liquid for poor in self.checks} - {lot.liquid for lot in self.lots}
        if other:
            raise ValueError(f"checks {min(other)}, of which it judges no lot")
        return self


SERVED = (
    "zone",
    "room",
    "leader",
    "coder",
    "assessors",
    "target_strength",
    "pour_ml",
    "spare_servings",
    "earliest_minutes",
    "latest_minutes",
    "attributes",
)


def served_as(pattern: Body) -> dict[str, Any]:
    """Return room, people, times and attributes of a definition, or of a planned sitting."""
    return {name: getattr(pattern, name) for name in SERVED}


def read_definition(path: Path) -> tuple[SittingDefinition, YamlDocument]:
    """Read a sitting's definition.

    Raises
    ------
    InputError : with every fault, file and line.
    """
    file = read_yaml(path)
    return file.as_record(SittingDefinition), file
