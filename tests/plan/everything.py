"""The workspace with every rule in it, and a plan of it that was made once and is kept.

The kept plan lets the tests of the check and of the tables run without a solver. After a change
of the rules or of the workspace make it anew: ``python -m tests.plan.everything``.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

from bulkflow.core.options import SolveOptions
from bulkflow.plan.document import read_result, to_document
from bulkflow.plan.make import plan_scenario
from bulkflow.plan.result import PlanResult
from bulkflow.scenario.model import Scenario
from bulkflow.scenario.reader import read_workspace

FOLDER = Path(__file__).resolve().parent / "workspaces" / "everything"
KEPT = FOLDER.parent / "everything-plan.json"


@cache
def scenario() -> Scenario:
    return read_workspace(FOLDER).scenario


@cache
def result() -> PlanResult:
    return read_result(KEPT)


def main() -> None:
    made = plan_scenario(scenario(), SolveOptions(seconds=120.0, gap=0.05))
    text = json.dumps(to_document(made), indent=1, ensure_ascii=False, allow_nan=False)
    KEPT.write_text(text + "\n", "utf-8")


if __name__ == "__main__":
    main()
