"""A release rule told in words: what stands in the register, on screens and in evidence."""

from __future__ import annotations

from panels.release.rule import OutsideWindow, ReleaseRule

__all__ = ["rule_in_words", "rule_lines"]


def rule_lines(rule: ReleaseRule) -> list[str]:
    """Return the rule as sentences, one a part."""
    return [
        _score(rule),
        _undecided(rule),
        _off_notes(rule),
        _confirmation(rule),
        _validity(rule),
    ]


def rule_in_words(rule: ReleaseRule) -> str:
    """Return the rule as one paragraph."""
    return " ".join(rule_lines(rule))


def _score(rule: ReleaseRule) -> str:
    score = rule.score
    limits = []
    if score.needs_mean:
        limits.append(f"the lot's mean above {score.minimum:g}")
    if score.needs_difference:
        limits.append(
            f"its difference from the blind control ({rule.standard}) above -{score.largest_drop:g}"
        )
    return (
        f"Release quality is scored from {score.lowest:g} to {score.highest:g} in steps of"
        f" {score.step:g}. Release when the one-sided lower limit puts {' and '.join(limits)};"
        " reject when an upper limit lies below; hold otherwise. The risk of releasing a lot that"
        f" lies exactly on a limit is {100 * score.level:g} % at most, retests included."
    )


def _undecided(rule: ReleaseRule) -> str:
    if rule.retests == 0:
        return "No retest is allowed; a lot held by its score goes to a person with the role."
    shares = ", ".join(f"{100 * rule.level_at(i + 1):g} %" for i in range(len(rule.spending)))
    times = "once" if rule.retests == 1 else f"{rule.retests} times"
    return (
        f"A held lot is nosed again {times} at most, and judged on all its scores together at the"
        f" levels {shares}, which add up to no more than the whole."
    )


def _off_notes(rule: ReleaseRule) -> str:
    notes = rule.off_notes
    return (
        f"{notes.assessors} assessors who independently name the same off-note with intensity"
        f" {notes.least_intensity} or more stop a release whatever the score; their count is"
        " held against the rate of false alarms on blind controls (chance over the house list"
        f" {100 * notes.false_alarm_chance:g} % at most to stand out)."
    )


def _confirmation(rule: ReleaseRule) -> str:
    follow = rule.off_notes.confirmation
    return (
        f"A suspected off-note is confirmed by a 3-AFC test at {100 * follow.alpha:g} %; only a"
        f" similarity test clears it ({100 * follow.share_of_discriminators:g} % who can tell,"
        f" risk {100 * follow.beta:g} %, {follow.fewest_assessments} assessments or more). A"
        " test that merely finds no difference clears nothing."
    )


def _validity(rule: ReleaseRule) -> str:
    valid = rule.validity
    outside = "left out" if valid.outside_window is OutsideWindow.EXCLUDE else "kept and marked"
    return (
        f"{valid.fewest_assessors} assessors with a valid score at least. The sitting is void if"
        f" the control's mean is below {valid.control_minimum:g}, blind repeats differ by more"
        f" than {valid.largest_repeat_difference:g} on average, or"
        f" {rule.off_notes.assessors} assessors name one off-note on the control. Servings nosed"
        f" outside their window are {outside}."
    )
