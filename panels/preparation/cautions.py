"""Cautions printed on sheets. They remind; local rules and licensed practice come first."""

from __future__ import annotations

__all__ = ["ASSESSORS", "PREPARING", "TANK_SAMPLING"]

PREPARING: tuple[str, ...] = (
    "Undiluted spirit is flammable at room temperature: no flame, spark or hot plate; keep"
    " volumes small, containers closed and labelled flammable. Diluted is safer, not safe.",
    "Ventilate the room and keep glasses covered. The nose soon stops warning of vapour.",
    "Rinse splashes on skin or in eyes with plenty of water.",
    "Local rules and licensed practice come before this sheet.",
)

ASSESSORS: tuple[str, ...] = (
    "Nose only; do not taste. No amount of alcohol is without risk to health.",
    "You may stop or stay away at any time without giving a reason.",
    "Do not take part when pregnant, driving on duty, on medicine that alcohol disturbs, or if"
    " alcohol is a problem for you.",
    "No perfume, smoking or food beforehand. Rest at least a minute between glasses.",
)

TANK_SAMPLING: tuple[str, ...] = (
    "Never enter a tank or lean into a manway. Sample from the valve or with a thief from"
    " outside; a tank may hold a deadly or explosive atmosphere even when it looks empty.",
    "Flammable vapour: bond and earth sampling gear, no ignition source, no synthetic rope.",
    "Follow the site's permit and the local codes; a competent person answers for the sampling.",
)
