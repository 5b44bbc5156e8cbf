"""Qualifying assessors for the register: by a trial under the declared rule, or by a paper."""

from __future__ import annotations

import datetime
import hashlib
from pathlib import Path
from typing import Annotated

from pydantic import Field
from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.lots.bodies import Identifier, Text
from bulkflow.reading.yamlfile import read_yaml
from bulkflow.records import Body, Power, Record, append_many, require
from panels.assessors.register import panel_rule_on
from panels.preparation.sampling import keep_until
from panels.records import QUALIFICATION, TRAINING, PlainWords, Qualification, Training
from panels.uses.choosing import ChoiceResult, choose_panel, read_trial
from panels.uses.declaration import PanelRule, read_declaration
from panels.uses.off_note import read_records
from panels.uses.records import declare, digest_of, is_declared, subject_of

__all__ = ["qualify_by_paper", "qualify_by_trial", "take_in_assessors", "train"]

People = Annotated[tuple[Identifier, ...], Field(min_length=1, max_length=200)]


class TrainingLine(Body):
    """Who was trained in what, when, by whom."""

    what: Text
    on: datetime.date
    by: PlainWords
    assessors: People


class PaperLine(Body):
    """Who was found to meet the rule otherwise than by the trial, and the paper that says so."""

    on: datetime.date
    evidence: PlainWords
    assessors: People


class AssessorsFile(Body):
    """The file ``panel/assessors.yaml``: paths are relative to it."""

    rule: Text
    trial: Text | None = None
    records: Text | None = None
    trainings: tuple[TrainingLine, ...] = ()
    qualified: tuple[PaperLine, ...] = ()


def train(
    session: Session, assessors: tuple[str, ...], what: str, on: datetime.date, by: str
) -> list[Record]:
    """Record a training of some assessors.

    Raises
    ------
    RefusedError : the acting person may not record.
    """
    require(session, Power.RECORD, f"record the training in {what}")
    bodies = [Training(assessor=name, what=what, on=on, by=by) for name in assessors]
    return append_many(session, TRAINING, [(body, None) for body in bodies])


def qualify_by_trial(
    session: Session, rule: PanelRule, scores: Path, records: Path | None = None
) -> tuple[ChoiceResult, list[Record]]:
    """Judge a trial by the declared rule and record who meets it, and who does not.

    Raises
    ------
    InputError : the rule is not the one declared, or the table has faults.
    RefusedError : the acting person may not decide for the panel.
    """
    require(session, Power.DECIDE_PANEL, "qualify assessors")
    _check_declared(session, rule)
    trial = read_trial(scores, rule)
    result = choose_panel(rule, trial, read_records(records) if records else ())
    digest = hashlib.sha256(scores.read_bytes()).hexdigest()
    bodies = [
        Qualification(
            assessor=review.assessor,
            rule=subject_of(rule),
            on=trial.last_day,
            valid_until=keep_until(trial.last_day, rule.valid_months),
            lacks=tuple(dict.fromkeys(finding.need.value for finding in review.findings)),
            evidence=f"trial from {trial.first_day}, SHA-256 {digest}",
        )
        for review in result.reviews
    ]
    return result, append_many(session, QUALIFICATION, [(body, None) for body in bodies])


def qualify_by_paper(
    session: Session, assessors: tuple[str, ...], on: datetime.date, evidence: str
) -> list[Record]:
    """Record that assessors meet the rule in force on a day, as a paper says.

    Raises
    ------
    InputError : no rule is declared by that day.
    RefusedError : the acting person may not decide for the panel.
    """
    require(session, Power.DECIDE_PANEL, "qualify assessors")
    rule = panel_rule_on(session, on)
    if rule is None:
        raise InputError(
            Fault("", 0, "rule", f"is not declared by {on}", "First: panels uses declare.")
        )
    bodies = [
        Qualification(
            assessor=name,
            rule=rule.name,
            on=on,
            valid_until=keep_until(on, rule.valid_months),
            evidence=evidence,
        )
        for name in assessors
    ]
    return append_many(session, QUALIFICATION, [(body, None) for body in bodies])


def take_in_assessors(session: Session, file: Path) -> list[Record]:
    """Take in a workspace's assessors, once: rule, trainings, trial and papers.

    Raises
    ------
    InputError : with every fault of the first file that has any.
    """
    held = read_yaml(file).as_record(AssessorsFile)
    rule = read_declaration(file.parent / held.rule, PanelRule)
    if is_declared(session, rule):
        return []
    made = [declare(session, rule)]
    for line in held.trainings:
        made += train(session, line.assessors, line.what, line.on, line.by)
    if held.trial is not None:
        records = None if held.records is None else file.parent / held.records
        made += qualify_by_trial(session, rule, file.parent / held.trial, records)[1]
    for paper in held.qualified:
        made += qualify_by_paper(session, paper.assessors, paper.on, paper.evidence)
    return made


def _check_declared(session: Session, rule: PanelRule) -> None:
    if not is_declared(session, rule):
        raise InputError(
            Fault(
                "",
                0,
                "rule",
                f"{subject_of(rule)} is not declared as it stands ({digest_of(rule)[:12]})",
                "Declare it before the trial: panels uses declare.",
            )
        )
