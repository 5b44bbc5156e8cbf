"""Every caution that papers print, each in one place; a paper picks those that fit the work.

They remind trained people of common practice. Local codes, the site's permits and licensed
practice come before any paper.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "ASSESSORS",
    "ENTRY",
    "LOADING",
    "PREPARING",
    "RECEIVING",
    "SMALL_AMOUNTS",
    "TANK_SAMPLING",
    "VAPOUR",
    "Caution",
]


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution.

    Parameters
    ----------
    title, text : what it is about, and what to do.
    source : where it is from.
    """

    title: str
    text: str
    source: str = "common practice"

    @property
    def words(self) -> str:
        """The caution as one text, for a list in a terminal."""
        return f"{self.title}: {self.text[0].lower()}{self.text[1:]}"


VAPOUR = Caution(
    "Flammable vapour",
    "Spirit burns and its vapour explodes, weak spirit too: strong spirit at room temperature,"
    " 40 % vol from about 26 °C, 20 % vol from about 36 °C. No flame, spark, hot work or telephone"
    " near open spirit.",
    "common practice; flash points from memory",
)
ENTRY = Caution(
    "Tank entry",
    "Nobody enters a tank, or leans into a manway, without training, a permit, a valid cleaning"
    " document and a tested atmosphere, even where it looks empty.",
    "tank container association, safety page",
)
EMPTY = Caution(
    "Empty, uncleaned tank",
    "Treat it as loaded with its last product.",
    "tank container association, safety page",
)
NOSING = Caution(
    "Nosing",
    "Never nose, or look in, at an open tank, manhole or vent of spirit. Draw a sample, carry it"
    " away, dilute it and nose that.",
)
EARTHING = Caution(
    "Earthing",
    "Clamp to the marked earth point first, prove the earth, then connect the hose; remove the"
    " clamp last. Fill slowly (about 1 m/s) until the inlet is covered.",
    "trade safety article, November 2021; the speed from memory of static-electricity codes",
)
STOP_FILL = Caution(
    "Stop-fill and high level",
    "Agree the stop-fill in litres, and try the high-level alarm and the emergency stop, before"
    " the pump starts. Stay at the valve; stop at the litres, not at the alarm.",
)
WAITING = Caution(
    "Waiting before a dip",
    "After filling, discharge or mixing wait before a dip, thief or thermometer goes in: as long as"
    " the site says, half an hour where it says nothing. The static charge has to leave first.",
)
DISCHARGE = Caution(
    "Discharge",
    "Open the vent or balance the gas first, or the tank may collapse; let the temperature even out"
    " before gauging.",
    "general guidance, from memory",
)
GEAR = Caution(
    "Protective gear",
    "Eye protection, gloves that spirit does not pass, antistatic clothing and shoes; eye rinse and"
    " shower within reach.",
)
FIRE = Caution(
    "Spill and fire",
    "Stop the pump, leave upwind, warn, call. Spirit mixes fully with water: bund it, keep it out"
    " of drains, use alcohol-resistant foam.",
    "general guidance, from memory",
)
LOCAL = Caution(
    "First of all",
    "Local codes, the site's permit and licensed practice come before this paper; a competent"
    " person answers for the work.",
)
SMALL_AMOUNTS = Caution(
    "Undiluted spirit on a bench",
    "Keep volumes small, containers closed and labelled flammable; ventilate the room and keep"
    " glasses covered. The nose soon stops warning of vapour. Rinse splashes on skin or in eyes with"
    " plenty of water.",
)
HEALTH = Caution(
    "Nose only",
    "Do not taste: no amount of alcohol is without risk to health. Do not take part when pregnant,"
    " driving on duty, on medicine that alcohol disturbs, or if alcohol is a problem for you.",
)
FREE = Caution("Free to stop", "You may stop or stay away at any time without giving a reason.")
CLEAN_NOSE = Caution(
    "Clean nose",
    "No perfume, smoking or food beforehand. Rest at least a minute between glasses.",
)

LOADING = (VAPOUR, EARTHING, STOP_FILL, WAITING, NOSING, ENTRY, EMPTY, GEAR, FIRE, LOCAL)
RECEIVING = (VAPOUR, EARTHING, DISCHARGE, STOP_FILL, WAITING, NOSING, ENTRY, GEAR, FIRE, LOCAL)
TANK_SAMPLING = (ENTRY, VAPOUR, EARTHING, WAITING, NOSING, GEAR, LOCAL)
PREPARING = (VAPOUR, SMALL_AMOUNTS, LOCAL)
ASSESSORS = (HEALTH, FREE, CLEAN_NOSE)
