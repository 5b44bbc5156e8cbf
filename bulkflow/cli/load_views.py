"""How the commands on loads show them: plain data for scripts, tables for people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from bulkflow.cli.register_options import noted_table, plain_data, plain_table

if TYPE_CHECKING:
    from rich.console import Console

    from bulkflow.loads.bodies import LoadStep
    from bulkflow.loads.gates import LoadGate
    from bulkflow.loads.proposing import Proposal, ProposedLoad
    from bulkflow.loads.queries import LoadRecord, StepRecord

__all__ = [
    "load_document",
    "lots_in_words",
    "print_gates",
    "print_held",
    "print_load",
    "print_proposal",
    "proposal_document",
    "step_document",
    "step_in_words",
]

LONGEST_LOT_LIST = 3


def lots_in_words(load: LoadRecord) -> str:
    """Return the names of a load's lots, the first few."""
    names = [share.lot_id for share in load.shares]
    if not names:
        return "none yet"
    shown = ", ".join(names[:LONGEST_LOT_LIST])
    more = len(names) - LONGEST_LOT_LIST
    return f"{shown} and {more} more" if more > 0 else shown


def load_document(load: LoadRecord) -> dict[str, Any]:
    """Return a load as plain data."""
    return {
        "load_id": load.load_id,
        "record": load.record,
        "state": load.state.value,
        "state_since": load.last.step.on.isoformat(),
        "reason": load.last.step.reason,
        "earliest_day": plain_data(load.last.step.earliest_day),
        "lane_id": load.lane_id,
        "origin": load.origin,
        "destination": load.destination,
        "market": load.market,
        "tank_type": load.tank_type,
        "tank_number": load.tank_number,
        "movement_reference": load.movement_reference,
        **{
            name: getattr(load, name).isoformat()
            for name in (
                "loading_day", "leaving_day", "arrival_day", "discharge_day", "usable_day"
            )
        },
        "lpa": format(load.lpa, "f"),
        "litres_20c": format(load.litres_20c, "f"),
        "parts": [part.model_dump(mode="json") for part in load.parts],
    }  # fmt: skip


def step_document(one: StepRecord) -> dict[str, Any]:
    """Return a step as plain data."""
    return {
        "record": one.record,
        "at": one.at,
        "actor": one.actor,
        **one.step.model_dump(mode="json", exclude_none=True),
    }


def proposal_document(found: Proposal, *, kept: bool, records: Sequence[int]) -> dict[str, Any]:
    """Return a proposal as plain data, of schema ``bulkflow.allocation``."""
    return {
        "schema": "bulkflow.allocation",
        "version": 1,
        "kept": kept,
        "records": list(records),
        "loads": [
            {
                "load_id": one.load.load_id,
                "state": one.state.value,
                "new": one.before is None,
                "changes": one.changes,
                "asked_lpa": format(one.asked_lpa, "f"),
                "reason": one.reason or None,
                "earliest_day": plain_data(one.earliest),
                "load": one.load.model_dump(mode="json", exclude_none=True),
            }
            for one in found.loads
        ],
        "withdrawn": [one.load_id for one in found.withdrawn],
        "untouched": list(found.untouched),
        "left_lpa": plain_data(found.left),
        "remarks": list(found.remarks),
        "proved": not found.gaps,
    }


def print_proposal(console: Console, found: Proposal) -> None:
    """Print what an allocation proposes."""
    from bulkflow.loads.bodies import LoadState

    held = [one for one in found.loads if one.state is LoadState.HELD]
    over = [one for one in found.loads if one.state is LoadState.DEPARTED]
    filled = len(found.loads) - len(held) - len(over)
    said = f"{filled} loads filled, {len(held)} held, {len(found.withdrawn)} taken back"
    if over:
        said += f"; {len(over)} under way taken over"
    proved = "every goal proved" if not found.gaps else "NOT every goal proved in the time"
    console.print(f"{said}; {proved}.")
    shown = [one for one in found.loads if one.state is not LoadState.DEPARTED]
    rows = [
        [
            one.load.load_id + ("" if one.changes else " ="),
            one.state.value,
            str(one.load.loading_day),
            f"{sum(part.lpa for part in one.load.parts):,.0f}",
        ]
        for one in shown
    ]
    columns = {
        "Load, and its lots": "left", "State": "left", "Loading": "left", "LPA": "right"
    }  # fmt: skip
    noted_table(console, columns, rows, [_shares_in_words(one) for one in shown])
    for one in held:
        day = f"earliest {one.earliest}" if one.earliest else "no day is known"
        console.print(f"\nHeld {one.load.load_id} ({day}): {one.reason}.")
    if any(not one.changes for one in found.loads):
        console.print("\n= is on the register like this already.")
    left = [f"{name} {lpa:,.0f}" for name, lpa in found.left.items() if lpa > 0]
    if left:
        console.print(f"\nLeft of released lots, in LPA: {', '.join(left)}.")
    for name, gap in found.gaps:
        console.print(f"Not proved best: {name} (gap {gap:.1%}); allow more --seconds.")
    for remark in found.remarks:
        console.print(f"\nNote: {remark}")


def print_held(console: Console, loads: Sequence[LoadRecord]) -> None:
    """Say of each held load why, and from which day it could be filled."""
    from bulkflow.loads.bodies import LoadState

    for load in loads:
        last = load.last.step
        if last.state is LoadState.HELD:
            day = f"earliest {last.earliest_day}" if last.earliest_day else "no day is known"
            console.print(f"\nHeld {load.load_id} ({day}): {(last.reason or '').rstrip('.')}.")


def print_load(console: Console, load: LoadRecord) -> None:
    """Print a load: its days and its lots."""
    last = load.last.step
    why = f": {last.reason}" if last.reason else ""
    day = f" Earliest {last.earliest_day}." if last.earliest_day else ""
    console.print(f"{load.load_id} is {load.state.value} since {last.on}{why}.{day}")
    facts: Mapping[str, str] = {
        "way": f"{load.origin} to {load.destination}, lane {load.lane_id}",
        "tank": f"{load.tank_type}, {load.tank_number or 'none examined yet'}",
        "loading": str(load.loading_day),
        "leaving": str(load.leaving_day),
        "arrival": str(load.arrival_day),
        "discharge": f"{load.discharge_day}, usable {load.usable_day}",
        "movement": load.movement_reference or "no reference yet",
    }
    for name, text in facts.items():
        console.print(f"  {name:<10} {text}")
    rows: list[list[str]] = []
    for part in load.parts:
        total = [part.liquid_id, "all", f"{part.lpa:,.3f}", f"{part.strength_percent:.3f}"]
        rows.append([*total, f"{part.litres_20c:,.1f}"])
        rows += [
            ["", one.lot_id, f"{one.lpa:,.3f}", f"{one.strength_percent:.3f}", ""]
            for one in part.shares
        ]
    columns = {
        "Liquid": "left", "Lot": "left", "LPA": "right", "% vol": "right", "L at 20 °C": "right"
    }  # fmt: skip
    console.print("")
    console.print(plain_table(columns, rows))


def print_gates(console: Console, gates: Sequence[LoadGate]) -> None:
    """Print the gates of a load, closed ones first."""
    closed = [one for one in gates if not one.is_open]
    console.print(f"\nGates: {len(gates)}, {len(closed)} closed")
    rows = [
        ["open" if one.is_open else "CLOSED", one.kind.value, one.subject, one.reason]
        for one in sorted(gates, key=lambda one: one.is_open)
    ]
    columns = {"": "whole", "Gate": "whole", "Of": "left", "Why": "left"}
    console.print(plain_table(columns, rows))


def step_in_words(step: LoadStep) -> str:
    """Return what went with a step."""
    parts = [
        step.reason,
        f"earliest {step.earliest_day}" if step.earliest_day else None,
        f"movement {step.movement_reference}" if step.movement_reference else None,
        f"{step.gross_mass_kg} kg gross" if step.gross_mass_kg else None,
        f"{step.lpa} LPA measured" if step.lpa else None,
        f"seals {', '.join(step.seals)}" if step.seals else None,
    ]
    return "; ".join(part for part in parts if part)


def _shares_in_words(one: ProposedLoad) -> str:
    """Return what each lot gives to a load."""
    shares = [share for part in one.load.parts for share in part.shares]
    return ", ".join(f"{share.lpa:,.3f} of {share.lot_id}" for share in shares) or "no lots"
