"""Questions about limits of the law on neutral alcohol, and about flash points."""

from __future__ import annotations

from datetime import date

from bulkflow import rules
from tests.reference.sensory.rows import Answer, NotAsked, Question, Row

REPLACED = date(2022, 8, 14)  # the last day of the limits of Regulation (EC) 110/2008
NOW = date(2026, 12, 1)
CALLED = {"total acidity": "acidity", "esters": "esters", "aldehydes": "aldehyde"}
CALLED |= {name: name for name in ("methanol", "higher alcohols", "furfural", "ethyl acetate")}


def neutral_alcohol(row: Row) -> Answer:
    on = REPLACED if "110/2008" in row.source else NOW
    if row.says("minimum strength"):
        found = rules.strength_limit("EU", "neutral alcohol", on=on)
        return None if found is None else found.minimum_percent
    limits = {one.substance: one.maximum for one in rules.substance_limits("EU", on=on)}
    for words, substance in CALLED.items():
        if row.says(words):
            return next((most for name, most in limits.items() if substance in name), None)
    raise NotAsked("no substance of the law is named")


def flash_point(row: Row) -> Answer:
    at = rules.flash_points_c(row.number("ethanol", "strength", "percent"), on=NOW)
    return at[0][1] if at else None


QUESTIONS: list[Question] = [
    (lambda r: r.says(r"ethyl alcohol of agricultural origin.*limit"), neutral_alcohol),
    (lambda r: r.says(r"^flash point") and r.has("ethanol"), flash_point),
]
