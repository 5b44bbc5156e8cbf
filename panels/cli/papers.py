"""The papers of a sitting on the terminal."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from bulkflow.cli.register_options import plain_table
from bulkflow.cli.shell import result_console

if TYPE_CHECKING:
    from panels.records import Sitting
    from panels.sittings.keys import SittingKey

__all__ = ["print_coding", "print_preparation", "print_score_columns", "print_trays"]


def print_preparation(sitting: Sitting) -> None:
    """Print the dilute-and-rest sheet."""
    from panels.preparation import cautions
    from panels.preparation.dilution import COVER, GLASS
    from panels.sittings.sheets import preparation_of

    console = result_console()
    console.print(f"Dilute and rest: {sitting.sitting}, {sitting.held_on}, {sitting.room}")
    console.print(
        f"Water: {sitting.water}. Everything at 20 °C. By mass, or by volume to the mark;"
    )
    console.print("never add the two volumes, they shrink on mixing.")
    headings = {
        "sample": "left",
        "% vol": "right",
        "glasses": "right",
        "spirit g": "right",
        "water g": "right",
        "spirit ml": "right",
        "up to ml": "right",
    }
    rows = [
        [
            made.subject,
            f"{made.strength:.2f}",
            f"{made.servings}+{made.spare}",
            f"{made.spirit_g:.1f}",
            f"{made.water_g:.1f}",
            f"{made.spirit_ml:.1f}",
            f"{made.final_ml:.0f}",
        ]
        for made in preparation_of(sitting)
    ]
    console.print(plain_table(headings, rows))
    console.print(f"Glass: {GLASS}. Pour {sitting.pour_ml:g} ml. Cover: {COVER}.")
    console.print(
        f"Nose from {sitting.earliest_minutes} to {sitting.latest_minutes} minutes after pouring."
    )
    for line in cautions.preparing(sitting.held_on):
        console.print(f"! {line}")


def print_trays(sitting: Sitting, poured: Sequence[str]) -> None:
    """Print trays: codes in serving order, and when to nose."""
    from panels.sittings.sheets import nosing_times, trays_of

    console = result_console()
    trays = trays_of(sitting)
    times = nosing_times(sitting, poured)
    for flight in sorted({tray.flight for tray in trays}):
        own = [tray for tray in trays if tray.flight == flight]
        longest = max(len(tray.codes) for tray in own)
        console.print(f"Trays of {sitting.sitting}, flight {flight}, from left to right")
        if flight <= len(times):
            console.print("Pour at {}, nose from {} to {}.".format(*times[flight - 1]))
        headings = {"assessor": "left"} | {str(n): "right" for n in range(1, longest + 1)}
        rows = [[t.assessor, *t.codes, *[""] * (longest - len(t.codes))] for t in own]
        console.print(plain_table(headings, rows))


def print_score_columns(sitting: Sitting) -> None:
    """Print the table of scores to fill in."""
    from panels.sittings.sheets import blank_table

    sys.stdout.write(blank_table(sitting))


def print_coding(key: SittingKey) -> None:
    """Print the coder's list."""
    from panels.sittings.sheets import coding_of

    console = result_console()
    console.print(f"Coding of {key.sitting}: for the coder only.")
    for subject in coding_of(key):
        codes = ", ".join(f"{assessor} {code}" for assessor, code in subject.codes)
        console.print(f"Flight {subject.flight}, {subject.subject}: {codes}")
