"""A kept plan held against its workspace once more: rows, headline, on request its bound."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bulkflow.cli.shell import ExitCode, message_console

if TYPE_CHECKING:
    from rich.console import Console

    from bulkflow.plan.check import CheckReport
    from bulkflow.plan.prove import Proved
    from bulkflow.plan.register import Opened
    from bulkflow.plan.result import PlanResult
    from bulkflow.scenario.model import Scenario
    from bulkflow.scenario.reader import Workspace

__all__ = ["CheckedAgain"]

CLAIMED = "what holds cost, why demand is short and which loads no lot can fill"


@dataclass
class CheckedAgain:
    """A kept plan, its check, and what was proved of its bound."""

    scenario: Scenario
    kept: PlanResult
    report: CheckReport
    proved: Proved | None = None

    @classmethod
    def of(cls, workspace: Workspace, plan: Path, database: str | None) -> CheckedAgain:
        """Check a plan against the workspace as its register opens it on the plan's first day."""
        from bulkflow.account.position import as_planned
        from bulkflow.plan.belongs import refuse_foreign
        from bulkflow.plan.claims import check_kept
        from bulkflow.plan.document import read_document, result_of
        from bulkflow.plan.write import changed_since_written, document_at

        file = document_at(plan)
        document = read_document(file)
        kept = result_of(document)
        refuse_foreign(kept.plan, workspace.scenario, file=str(plan))
        opened = as_planned(workspace.scenario, workspace.folder, database, kept)
        say = message_console()
        if kept.register and opened.chain_head != kept.chain_head:
            say.print(_gone_on(opened, kept), soft_wrap=True)
        changed = changed_since_written(file.parent)
        if changed:
            say.print(
                f"Not as the program wrote them, or gone: {', '.join(changed)} in {file.parent}.",
                soft_wrap=True,
            )
        rows = document.model_dump(mode="json", by_alias=True)
        return cls(opened.scenario, kept, check_kept(opened.scenario, kept, rows))

    def prove(self, seconds: float) -> None:
        """Prove the bound anew, for some seconds at most."""
        from bulkflow.cli.progress import Stoppable
        from bulkflow.core.options import SolveOptions
        from bulkflow.plan.prove import prove

        options = SolveOptions(seconds=seconds)
        self.proved = Stoppable(self.scenario.currency).run(
            lambda report, stop: prove(
                self.scenario, self.kept.plan, options, on_progress=report, stop=stop
            ),
            label="proving the bound",
        )

    @property
    def code(self) -> ExitCode:
        """What the outcome is as an exit code."""
        if not self.report.passed or (self.proved is not None and self.proved.holds is False):
            return ExitCode.NO_PLAN
        unproved = self.proved is not None and self.proved.holds is None
        return ExitCode.NONE_FOUND if unproved else ExitCode.DONE

    def document(self) -> dict[str, Any]:
        """Return the outcome as plain data."""
        proof = self.kept.plan.proof
        return {
            "checks": [
                {"id": one.id, "passed": one.passed, "words": str(one)}
                for one in self.report.checks
            ],
            "bound": {
                "claimed": proof.bound if math.isfinite(proof.bound) else None,
                "proved_anew": None if self.proved is None else asdict(self.proved),
            },
        }

    def show(self, console: Console, command: str) -> None:
        """Print the outcome.

        Parameters
        ----------
        command : the one that checked, to offer it with a proof.
        """
        console.print()
        for one in self.report.failures:
            console.print(f"FAILED {one}")
        passed = len(self.report.checks) - len(self.report.failures)
        of_document = sum(one.id.startswith("kept-") for one in self.report.checks)
        console.print(
            f"{passed} of {len(self.report.checks)} checks of the plan passed"
            f" ({self.report.comparisons:,} comparisons):"
            f" {len(self.report.checks) - of_document} as when it was made, and {of_document} of"
            " what its document says besides."
        )
        if self.proved is not None:
            failed = "FAILED bound-proved: " if self.proved.holds is False else ""
            console.print(f"{failed}{self.proved}")
            console.print(f"Claimed by the planner, not derived here: {CLAIMED}.")
            return
        proof = self.kept.plan.proof
        bound = f"{proof.bound:,.2f}" if math.isfinite(proof.bound) else "none"
        console.print(
            f"Claimed by the planner, not derived here: its bound ({bound}) and with it the gap;"
            f" {CLAIMED}. To prove the bound anew:"
        )
        console.print(f"  {command} --prove 60", soft_wrap=True)


def _gone_on(opened: Opened, kept: PlanResult) -> str:
    """Say what a plan is checked against whose register is not as it was."""
    if not opened.register:
        return "The register is not there any more: what the plan opens with may differ."
    then, now = (head.partition(":")[0] for head in (kept.chain_head, opened.chain_head))
    since = f"The register has gone on since the plan was made, from record {then} to {now}"
    if opened.kept:
        return f"{since}: checked against the opening that the plan keeps, not what is there now."
    return f"{since}, or it is another one: what the plan opens with may differ."
