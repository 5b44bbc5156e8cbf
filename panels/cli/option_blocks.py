"""Options that go together in the commands of panels; ``spread`` puts them on the command line."""

from __future__ import annotations

import sys
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bulkflow.cli.option_blocks import WritingOptions, spread
from bulkflow.cli.register_options import AsOption, DatabaseOption
from bulkflow.cli.shell import JsonOption
from panels.cli.register import writing_panels

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from panels.uses.records import UseFinding

__all__ = ["KeepingOptions", "PanelWritingOptions", "spread"]

RecordOption = Annotated[
    Path | None,
    typer.Option("--record", metavar="FOLDER", help="Keep the finding in this workspace."),
]


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelWritingOptions(WritingOptions):
    """Where a command of panels writes, who acts, whether it is a trial, and how it answers."""

    def panels(self, folder: Path) -> AbstractContextManager[Session]:
        """Give a writing session on the register of a workspace; see ``writing_panels``."""
        return writing_panels(folder, self.database, self.acting_as, dry_run=self.dry_run)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepingOptions:
    """Whether a finding is kept, where and by whom, and how the command answers."""

    record: RecordOption = None
    database: DatabaseOption = None
    acting_as: AsOption = None
    as_json: JsonOption = False

    def keep(self, finding: UseFinding) -> None:
        """Record a finding if a workspace was named; say on stderr where, and what is missing."""
        if self.record is None:
            return
        from panels.uses.records import UseFinding, record_finding

        with writing_panels(self.record, self.database, self.acting_as) as session:
            kept = record_finding(session, finding)
        body = UseFinding.model_validate(kept.content)
        sys.stderr.write(f"Kept as record {kept.seq}.\n")
        if body.declaration_record is None:
            sys.stderr.write("The declaration is not in the register; record it beforehand.\n")
        elif not body.recorded_in_time:
            sys.stderr.write("The declaration was recorded only after the first answers.\n")
