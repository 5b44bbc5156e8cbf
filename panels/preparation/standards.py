"""Reference standards: approved, ageing, and joined to their successors by a bridging test.

A standard is what every lot of a liquid is held against, so it may not drift unseen. Before it
runs out, its successor is tested against it: the successor is taken only if a similarity test
shows, at its own risk, that hardly anyone can tell the two apart. Where both were also scored,
the shift in score is kept, so that charts of earlier lots can be read on.
"""

from __future__ import annotations

from pathlib import Path

from pydantic import Field
from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.reading.words import did_you_mean
from bulkflow.reading.yamlfile import read_yaml
from bulkflow.records import Body, Power, Record, append, require
from panels.methods.mixed_model import Estimate
from panels.methods.similarity import similarity_test
from panels.records import STANDARD, Bridging, Standard, latest_bodies

__all__ = ["FEWEST_FOR_BRIDGING", "bridge", "read_standards", "record_standard"]

FEWEST_FOR_BRIDGING = 30
"""Fewer assessments than this are not enough to call two standards similar; ISO 5495:2005 notes
it for paired tests, and the house keeps to it for every test."""


class _File(Body):
    standards: tuple[Standard, ...] = Field(min_length=1)


def read_standards(path: Path) -> tuple[Standard, ...]:
    """Read a file of standards.

    Raises
    ------
    InputError : with every fault, each with its line.
    """
    return read_yaml(path).as_record(_File).standards


def bridge(
    test: str,
    *,
    correct: int,
    assessments: int,
    share_of_discriminators: float,
    beta: float,
    shift: Estimate | None = None,
) -> Bridging:
    """Judge the bridging test of a successor.

    Parameters
    ----------
    test : forced-choice test, such as ``triangle``; one answer per assessor.
    correct, assessments : its outcome.
    share_of_discriminators, beta : no more than this share may tell the two apart, and the risk
        of saying so wrongly.
    shift : successor minus predecessor from a sitting that scored both, if there was one.

    Raises
    ------
    InputError : similarity is not shown, or too few assessments to show it.
    """
    if assessments < FEWEST_FOR_BRIDGING:
        raise InputError(
            Fault(
                "",
                0,
                "assessments",
                f"are {assessments}",
                f"A bridging test needs {FEWEST_FOR_BRIDGING} at least.",
            )
        )
    found = similarity_test(test, correct, assessments, p_d=share_of_discriminators, beta=beta)
    if found.critical is None or not found.similar:
        most = "no number" if found.critical is None else f"{found.critical} at most"
        raise InputError(
            Fault(
                "",
                0,
                "correct",
                f"answers are {correct} of {assessments}, where {most} would show similarity",
                "The successor is not joined: find another candidate, or test more assessors.",
            )
        )
    return Bridging(
        test=found.method.value,
        assessments=assessments,
        correct=correct,
        share_of_discriminators=share_of_discriminators,
        beta=beta,
        largest_correct=found.critical,
        score_shift=None if shift is None else shift.estimate,
        score_shift_se=None if shift is None else shift.standard_error,
    )


def record_standard(session: Session, standard: Standard) -> Record:
    """Record an approved standard.

    Raises
    ------
    RefusedError : the acting person may not declare standards.
    InputError : it is recorded already, its days are turned round, or it succeeds a standard
        that is unknown, of another liquid, or not joined by a bridging test.
    """
    require(session, Power.DECLARE, f"record the standard {standard.standard}")
    known = {name: body for name, (_, body) in latest_bodies(session, STANDARD).items()}
    faults = _faults(standard, known)
    if faults:
        raise InputError([Fault("", 0, f"standard {standard.standard}", *f) for f in faults])
    return append(session, STANDARD, standard)


def _faults(standard: Standard, known: dict[str, Standard]) -> list[tuple[str, str]]:
    faults = []
    if standard.standard in known:
        faults.append(("is recorded already", "A recorded standard is not changed."))
    if standard.use_by <= standard.filled_on:
        faults.append(
            (
                f"is to be used by {standard.use_by}, before it was filled ({standard.filled_on})",
                "Correct the days.",
            )
        )
    of_liquid = [name for name, body in known.items() if body.liquid == standard.liquid]
    if standard.successor_of is None:
        if of_liquid and standard.standard not in known:
            faults.append(
                (
                    f"follows {of_liquid[-1]} without a bridging test",
                    "Name it as the successor, with the test that joins them.",
                )
            )
        return faults
    before = known.get(standard.successor_of)
    if before is None or before.liquid != standard.liquid:
        faults.append(
            (
                f"succeeds {standard.successor_of}, which is no standard of {standard.liquid}",
                did_you_mean(standard.successor_of, of_liquid),
            )
        )
    if standard.bridging is None:
        faults.append(("has no bridging test", "Test it against its predecessor first."))
    return faults
