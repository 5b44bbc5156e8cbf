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
        f" lies exactly on a limit is {100 * score.level:g} % at most, retests included. Limits"
        f" allow for a spread of {score.day_sd:g} from day to day and"
        f" {score.replicate_sd:g} from one making-up to the next."
    )


def _undecided(rule: ReleaseRule) -> str:
    stands = (
        " A reject stands until a person with the role overrides it, and a lot that was released or"
        " rejected is nosed again only for a stated reason."
    )
    if rule.retests == 0:
        return "No retest is allowed; a lot held by its score goes to a person." + stands
    shares = ", ".join(f"{100 * rule.level_at(i + 1):g} %" for i in range(len(rule.spending)))
    times = "once" if rule.retests == 1 else f"{rule.retests} times"
    return (
        f"A held lot is nosed again {times} at most, and judged on all its scores together at the"
        f" levels {shares}, which add up to no more than the whole; sittings more than"
        f" {rule.validity.furthest_apart:g} apart release nothing.{stands}"
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
    risks = ", ".join(f"{100 * follow.beta * share:g} %" for share in follow.beta_spending)
    tests = "one test" if follow.tests == 1 else f"{follow.tests} tests at most"
    return (
        f"A suspected off-note is confirmed by a 3-AFC test at {100 * follow.alpha:g} %, which"
        " rejects the lot; only a similarity test on a later day clears what was named before it"
        f" ({100 * follow.share_of_discriminators:g} % who can tell, risk {risks},"
        f" {follow.fewest_assessments} assessments or more, {tests} of a note and lot). A test that"
        " merely finds no difference clears nothing."
    )


def _validity(rule: ReleaseRule) -> str:
    valid = rule.validity
    outside = "left out" if valid.outside_window is OutsideWindow.EXCLUDE else "kept and marked"
    return (
        f"{valid.fewest_assessors} assessors with a valid score at least. The sitting is void if"
        f" the control's mean is below {valid.control_minimum:g}, hardly anybody scores two glasses"
        " differently, a spiked or known-poor sample is not told from the control at"
        f" {100 * valid.check_level:g} %, blind repeats differ by more"
        f" than {valid.largest_repeat_difference:g} on average, or"
        f" {rule.off_notes.assessors} assessors name one off-note on the control. Servings nosed"
        f" outside their window are {outside}. After {valid.most_void} void sittings of a lot a"
        " person decides."
    )
