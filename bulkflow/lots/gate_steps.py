"""What opens the closed gates of a lot, as commands to copy; and where an open lot goes on."""

from __future__ import annotations

import math
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from bulkflow.lots.bodies import Gate, ReleaseRule
from bulkflow.lots.explaining import Explanation, GateState
from bulkflow.lots.panel_facts import BY_PERSON, CONFIRM, RETEST, PanelFacts

__all__ = ["GateStep", "LotSteps"]

PANEL_RULES = "panel/rules.yaml"


@dataclass(frozen=True, slots=True)
class GateStep:
    """What to do for a lot: in words, and as a command. Capitals are to be filled in."""

    words: str
    command: str


@dataclass(frozen=True, slots=True)
class LotSteps:
    """Knows what comes next for the lots of one workspace.

    Parameters
    ----------
    on : the day asked about, for commands that need one.
    database : of the register, where the user named one; without its secrets.
    """

    folder: Path
    panel: PanelFacts
    on: date
    database: str = ""

    def of(self, explained: Explanation, rule: ReleaseRule | None) -> list[GateStep]:
        """Return what comes next for a lot, one step for each closed gate.

        Parameters
        ----------
        rule : the release rule in force for its liquid; None where none is declared.
        """
        lot = shlex.quote(explained.lot.lot_id)
        closed = [state for state in explained.gates if not state.is_open]
        if not closed:
            return [
                GateStep("See the loads it is in", self._bulkflow("loads list", f"--lot {lot}"))
            ]
        if explained.status.value == "rejected":
            command = self._bulkflow(
                "lots dispose", f"{lot} --way WAY --lpa LPA --on DATE --reason WHY"
            )
            return [GateStep("Record what becomes of it", command)]
        return [step for state in closed for step in self._opening(state, explained, rule)]

    def _opening(
        self, state: GateState, explained: Explanation, rule: ReleaseRule | None
    ) -> Iterator[GateStep]:
        lot = shlex.quote(explained.lot.lot_id)
        match state.gate:
            case Gate.HOLD:
                which = f" --hold {state.records[0].record}" if len(state.records) > 1 else ""
                yield GateStep(
                    "Lift the hold, once its reason is gone",
                    self._bulkflow("lots lift", f"{lot}{which} --reason WHY"),
                )
            case Gate.PARENTS:
                for name in state.lots[:3]:
                    yield GateStep(
                        f"See what {name} waits for: its gates open this one",
                        self._bulkflow("lots why", shlex.quote(name)),
                    )
            case Gate.LABORATORY:
                yield GateStep(
                    "Record a missing result, or with --replaces RECORD one that corrects another",
                    self._bulkflow("lots result", f"{lot} ANALYTE VALUE UNIT"),
                )
            case Gate.DECISION if rule is None and (self.folder / PANEL_RULES).is_file():
                words = f"Declare the release rules of {PANEL_RULES}, before anything is decided"
                yield GateStep(words, self._panels("rule declare"))
            case Gate.DECISION if rule is None:
                liquid = shlex.quote(explained.lot.liquid_id)
                declare = f"{liquid} ID 1 --decided-by panel --words WORDS"
                yield GateStep(
                    "Declare the release rule of its liquid, before anything is decided",
                    self._bulkflow("lots rule", declare),
                )
            case Gate.DECISION if rule.decided_by == "panel":
                yield self._by_panel(explained.lot.lot_id, rule)
            case Gate.DECISION:
                yield GateStep(
                    "Record the decision from its evidence",
                    self._bulkflow("lots decide", "EVIDENCE.json --reason WHY"),
                )

    def _by_panel(self, name: str, rule: ReleaseRule) -> GateStep:
        """Return the one step that brings a lot nearer its decision, as the panel's records say."""
        panel, lot = self.panel, shlex.quote(name)
        if name in panel.undecided:
            sitting = panel.undecided[name][0]
            command = self._panels("sitting decide", shlex.quote(sitting))
            return GateStep(f"Decide on the closed sitting {sitting}", command)
        if name in panel.tests:
            test = panel.tests[name]
            words = f"Record the answers of the directed test {test.name} ({test.held_on})"
            return GateStep(
                words, self._panels("confirm record", f"{shlex.quote(test.name)} ANSWERS.csv")
            )
        if name in panel.running:
            sitting = panel.running[name].name
            words = f"Nose it in {sitting} on {panel.running[name].held_on}, and record the scores"
            return GateStep(
                words,
                self._panels("sitting record", f"{shlex.quote(sitting)} SCORES.csv --close"),
            )
        step, on = panel.next_step.get(name), self.on
        if step == CONFIRM and panel.notes.get(name):
            note = panel.notes[name][0]
            sets = _sets_asked(rule, panel.noses.get(name, 0))
            rest = f"{shlex.quote(f'C-{name}')} {lot} {shlex.quote(note)} --on {on}{sets}"
            words = f"Plan the directed test on {note}, which was named in it"
            return GateStep(words, self._panels("confirm plan", rest))
        if step == BY_PERSON:
            return GateStep(
                "A person with the role decides",
                self._bulkflow("lots override", f"{lot} --gate decision --role ROLE --reason WHY"),
            )
        what = "the retest" if step == RETEST else "a first sitting"
        if panel.any_sitting:
            return GateStep(
                f"Plan {what}",
                self._panels("sitting next", f"SITTING --on {on} --water WATER"),
            )
        return GateStep(f"Plan {what}", self._panels("sitting plan", "SITTING.yaml"))

    def _bulkflow(self, command: str, rest: str) -> str:
        return f"bulkflow {command} {shlex.quote(str(self.folder))} {rest}{self._at}"

    def _panels(self, command: str, rest: str = "") -> str:
        tail = f" {rest}" if rest else ""
        return f"panels {command} {shlex.quote(str(self.folder))}{tail}{self._at}"

    @property
    def _at(self) -> str:
        return f" --database {shlex.quote(self.database)}" if self.database else ""


def _sets_asked(rule: ReleaseRule, noses: int) -> str:
    """Return the option for the sets that give a rule the answers it asks for; '' for one each."""
    asked = rule.document.get("rule") if isinstance(rule.document, dict) else None
    for key in ("off_notes", "confirmation", "fewest_assessments"):
        asked = asked.get(key) if isinstance(asked, dict) else None
    sets = math.ceil(asked / noses) if isinstance(asked, int) and noses else 1
    return f" --sets {sets}" if sets > 1 else ""
