"""What a form says, as a glass or a choice, or what is wrong with it: nothing is guessed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from panels.booth.occasion import Occasion, Serving
from panels.records import Glass
from panels.sittings.scores import ATTRIBUTE_HIGHEST

__all__ = ["ATTRIBUTE_STEPS", "LONGEST_REMARK", "NO_SCORE", "Answer", "fields_of", "read_answer"]

NO_SCORE = "none"
"""What stands for a glass that an assessor cannot score."""
LONGEST_REMARK = 500
ATTRIBUTE_STEPS = tuple(str(n) for n in range(int(ATTRIBUTE_HIGHEST) + 1))


@dataclass(frozen=True, slots=True)
class Answer:
    """What an assessor says of a serving.

    Attributes
    ----------
    serving : the one it is of.
    glass : of a sitting, times left open; None in a test.
    choice : the code picked in a test; empty in a sitting.
    """

    serving: Serving
    glass: dict[str, Any] | None = None
    choice: str = ""


def fields_of(occasion: Occasion) -> tuple[str, ...]:
    """Return the names of a form's fields."""
    if occasion.rules is None:
        return ("choice",)
    attributes = tuple(f"attribute:{name}" for name in occasion.attributes)
    notes = tuple(f"note:{name}" for name in occasion.rules.off_note_list)
    return ("score", *attributes, *notes, "remarks")


def read_answer(
    occasion: Occasion, serving: Serving, form: Mapping[str, str]
) -> tuple[Answer | None, dict[str, str]]:
    """Read a form.

    Returns
    -------
    the answer, or None and what is wrong by field.
    """
    if occasion.rules is None:
        choice = form.get("choice", "")
        if choice not in serving.codes:
            return None, {"choice": "Choose one of the three, even if you have to guess."}
        return Answer(serving, choice=choice), {}
    wrong = dict(_faults(occasion, form))
    glass = {
        "code": serving.codes[0],
        "score": None if form.get("score") == NO_SCORE else _number(form.get("score")),
        "attributes": {
            name: value
            for name in occasion.attributes
            if (value := _number(form.get(f"attribute:{name}"))) is not None
        },
        "off_notes": [
            {"note": name, "intensity": int(form[f"note:{name}"])}
            for name in occasion.rules.off_note_list
            if f"note:{name}" not in wrong and form.get(f"note:{name}", "0") != "0"
        ],
        "remarks": form.get("remarks", "").strip() or None,
    }
    if not wrong:
        try:
            Glass.model_validate(glass | {"poured": "00:00"})
        except ValidationError as error:
            wrong["remarks"] = f"This {error.errors()[0]['msg'].removeprefix('Value error, ')}."
    return (None, wrong) if wrong else (Answer(serving, glass=glass), {})


def _faults(occasion: Occasion, form: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    rules = occasion.rules
    assert rules is not None
    given, score = form.get("score", ""), _number(form.get("score"))
    if given != NO_SCORE and (score is None or rules.wrong_score(score)):
        yield "score", f"Score {rules.scale_words}, or say that you cannot."
    for name in occasion.attributes:
        if form.get(f"attribute:{name}", "") not in ("", *ATTRIBUTE_STEPS):
            yield f"attribute:{name}", f"Mark 0 to {ATTRIBUTE_HIGHEST:g}."
    intensities = [str(n) for n in range(rules.highest_intensity + 1)]
    for name in rules.off_note_list:
        if form.get(f"note:{name}", "0") not in intensities:
            yield f"note:{name}", f"Choose 1 to {rules.highest_intensity}, or not noticed."
    if len(form.get("remarks", "")) > LONGEST_REMARK:
        yield "remarks", f"Write at most {LONGEST_REMARK} characters."


def _number(text: str | None) -> float | None:
    try:
        return float(text) if text and text.isascii() and len(text) < 12 else None
    except ValueError:
        return None
