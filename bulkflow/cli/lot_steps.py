"""What opens the closed gates of a lot, as commands to copy; and where an open lot goes on."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from bulkflow.lots.bodies import Gate

if TYPE_CHECKING:
    from bulkflow.lots.bodies import ReleaseRule
    from bulkflow.lots.explaining import Explanation, GateState

__all__ = ["gate_steps"]

PANEL_RULES = "panel/rules.yaml"


def gate_steps(
    explained: Explanation, rule: ReleaseRule | None, folder: Path
) -> list[tuple[str, str]]:
    """Return what comes next for a lot: what for, and the command. Capitals are to be filled in.

    Parameters
    ----------
    rule : the release rule in force for its liquid; None where none is declared.
    """
    lot, where = shlex.quote(explained.lot.lot_id), shlex.quote(str(folder))
    closed = [state for state in explained.gates if not state.is_open]
    if not closed:
        return [("See the loads it is in", f"bulkflow loads list {where} --lot {lot}")]
    if explained.status.value == "rejected":
        command = f"bulkflow lots dispose {where} {lot} --way WAY --lpa LPA --on DATE --reason WHY"
        return [("Record what becomes of it", command)]
    return [step for state in closed for step in _opening(state, explained, rule, folder)]


def _opening(
    state: GateState, explained: Explanation, rule: ReleaseRule | None, folder: Path
) -> Iterator[tuple[str, str]]:
    lot, where = shlex.quote(explained.lot.lot_id), shlex.quote(str(folder))
    match state.gate:
        case Gate.HOLD:
            which = f" --hold {state.records[0].record}" if len(state.records) > 1 else ""
            lift = f"bulkflow lots lift {where} {lot}{which} --reason WHY"
            yield "Lift the hold, once its reason is gone", lift
        case Gate.LABORATORY:
            yield (
                "Record a missing result, or with --replaces RECORD one that corrects another",
                f"bulkflow lots result {where} {lot} ANALYTE VALUE UNIT",
            )
        case Gate.DECISION if rule is None and (folder / PANEL_RULES).is_file():
            words = f"Declare the release rules of {PANEL_RULES}, before anything is decided"
            yield words, f"panels rule declare {where}"
        case Gate.DECISION if rule is None:
            liquid = shlex.quote(explained.lot.liquid_id)
            declare = "ID VERSION --decided-by panel --words WORDS"
            yield (
                "Declare the release rule of its liquid, before anything is decided",
                f"bulkflow lots rule {where} {liquid} {declare}",
            )
        case Gate.DECISION if rule.decided_by == "panel":
            words = "See the sittings; plan one with it, or decide a closed one"
            yield words, f"panels sitting list {where}"
        case Gate.DECISION:
            yield (
                "Record the decision from its evidence",
                f"bulkflow lots decide {where} EVIDENCE.json --reason WHY",
            )
