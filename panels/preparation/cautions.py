"""Cautions printed on the papers of a panel. They remind; local rules come first.

What holds for spirit wherever it is comes from the rules, with its source (`bulkflow.rules`).
"""

from __future__ import annotations

from datetime import date

from bulkflow.rules import cautions_of

__all__ = ["ASSESSORS", "preparing", "tank_sampling"]

BENCH = (
    "On the bench keep volumes small, containers closed and labelled flammable.",
    "Ventilate the room and keep glasses covered. The nose soon stops warning of vapour.",
    "Rinse splashes on skin or in eyes with plenty of water.",
)

ASSESSORS: tuple[str, ...] = (
    "Nose only; do not taste. No amount of alcohol is without risk to health.",
    "You may stop or stay away at any time without giving a reason.",
    "Do not take part when pregnant, driving on duty, on medicine that alcohol disturbs, or if"
    " alcohol is a problem for you.",
    "No perfume, smoking or food beforehand. Rest at least a minute between glasses.",
)


def preparing(on: date) -> tuple[str, ...]:
    """Return what whoever dilutes samples is reminded of."""
    vapour, local = (f"{one.title}: {one.text}" for one in cautions_of("bench", on=on))
    return (vapour, *BENCH, local)


def tank_sampling(on: date) -> tuple[str, ...]:
    """Return what whoever draws samples from a tank is reminded of."""
    return tuple(f"{one.title}: {one.text}" for one in cautions_of("sampling", on=on))
