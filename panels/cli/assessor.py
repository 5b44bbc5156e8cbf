"""``panels assessor``: training, qualification with its end, and how the panel does."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bulkflow.cli.register_options import DatabaseOption, day_option, plain_data, plain_table
from bulkflow.cli.shell import FolderArgument, JsonOption, make_app, result_console, write_json
from panels.cli.option_blocks import PanelWritingOptions, spread
from panels.cli.register import not_to_come, reading_panels

if TYPE_CHECKING:
    from panels.assessors.register import Fitness

__all__ = ["app"]

app = make_app("Train and qualify assessors, and watch the panel.", name="assessor")

AssessorsOption = Annotated[list[str], typer.Option("--assessor", help="Who; give each assessor.")]
DayOption = Annotated[
    datetime, typer.Option("--on", formats=["%Y-%m-%d"], metavar="DATE", help="The day.")
]


def _plain(one: Fitness) -> dict[str, Any]:
    held = one.qualification
    return {
        "assessor": one.assessor,
        "trained": {what: day.isoformat() for what, day in one.trained.items()},
        "qualification": None if held is None else held.model_dump(mode="json"),
        "lacks": list(one.lacks),
    }


@app.command("train")
@spread
def train(
    folder: FolderArgument,
    what: Annotated[str, typer.Argument(metavar="WHAT", help="What in, as the rule names it.")],
    *,
    assessor: AssessorsOption,
    on: DayOption,
    by: Annotated[str, typer.Option("--by", help="Who trained them.")],
    writing: PanelWritingOptions,
) -> None:
    """Record a training.

    Example: panels assessor train scenarios/vejkalna "dilute and rest" --assessor A11 --on
    2026-11-02 --by Ilze
    """
    from panels.uses.qualifying import train as record_training

    not_to_come("--on", on.date())
    with writing.panels(folder) as session:
        records = record_training(session, tuple(assessor), what, on.date(), by)
    writing.tell(records, f"Recorded the training of {', '.join(assessor)}")


@app.command("qualify")
@spread
def qualify(
    folder: FolderArgument,
    rule: Annotated[
        Path, typer.Argument(metavar="DECLARATION.yaml", help="The panel's rule, as declared.")
    ],
    scores: Annotated[Path, typer.Argument(metavar="SCORES.csv", help="Scores of a trial.")],
    *,
    records: Annotated[
        Path | None, typer.Option("--records", help="Directed tests on off-notes, as a table.")
    ] = None,
    writing: PanelWritingOptions,
) -> None:
    """Judge a trial by the declared rule and record who is qualified, and until when.

    Example: panels assessor qualify scenarios/vejkalna scenarios/vejkalna/panel/uses/panel.yaml
    scenarios/vejkalna/panel/uses/trial.csv
    """
    from panels.uses.declaration import PanelRule, read_declaration
    from panels.uses.qualifying import qualify_by_trial

    declared = read_declaration(rule, PanelRule)
    with writing.panels(folder) as session:
        result, made = qualify_by_trial(session, declared, scores, records)
    writing.tell(made, result.words.rstrip("."))


@app.command("accept")
@spread
def accept(
    folder: FolderArgument,
    *,
    assessor: AssessorsOption,
    on: DayOption,
    evidence: Annotated[str, typer.Option("--evidence", help="The paper that shows it.")],
    writing: PanelWritingOptions,
) -> None:
    """Record that assessors meet the panel's rule as a paper shows, such as a trial elsewhere.

    Example: panels assessor accept scenarios/vejkalna --assessor A11 --on 2026-11-02 --evidence
    "trial T-7"
    """
    from panels.uses.qualifying import qualify_by_paper

    not_to_come("--on", on.date())
    with writing.panels(folder) as session:
        made = qualify_by_paper(session, tuple(assessor), on.date(), evidence)
    writing.tell(made, f"Qualified {', '.join(assessor)}")


@app.command("list")
def list_(
    folder: FolderArgument,
    *,
    on: Annotated[
        str | None, typer.Option("--on", metavar="DATE", help="As of a day [default: today].")
    ] = None,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """List assessors: qualified until when, or what is lacking; who drifts; what they can tell.

    Example: panels assessor list scenarios/vejkalna --on 2027-01-04
    """
    from bulkflow.records.times import system_clock
    from panels.assessors.register import fitness_on, panel_rule_on
    from panels.sittings.course import Courses

    day = day_option("--on", on) or system_clock().astimezone().date()
    with reading_panels(folder, database) as session:
        rule = panel_rule_on(session, day)
        people = fitness_on(session, day)
        watches = Courses(session).watches(day)
    if as_json:
        write_json(
            {
                "schema": "panels.assessors",
                "version": 1,
                "on": day.isoformat(),
                "rule": None if rule is None else rule.name,
                "assessors": [_plain(one) for one in people.values()],
                "panel": {liquid: plain_data(watch) for liquid, watch in watches.items()},
            }
        )
        return
    if rule is None:
        sys.stdout.write("No rule says who is qualified: panels uses declare.\n")
    if not people:
        sys.stdout.write("No assessor is on the register.\n")
        return
    drifting = {name: first for watch in watches.values() for name, first in watch.drifting}
    headings = {"assessor": "left", "qualified until": "left", "lacks": "left", "drifts": "left"}
    rows = [
        [
            name,
            str(one.qualification.valid_until)
            if one.qualification and not one.qualification.lacks
            else "-",
            "; ".join(one.lacks) or "nothing",
            f"from {drifting[name]}" if name in drifting else "-",
        ]
        for name, one in sorted(people.items(), key=lambda item: (len(item[0]), item[0]))
    ]
    console = result_console()
    console.print(plain_table(headings, rows))
    for line in dict.fromkeys(line for watch in watches.values() for line in watch.words):
        console.print(f"{line[0].upper()}{line[1:]}.")
