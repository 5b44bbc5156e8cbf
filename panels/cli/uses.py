"""``panels uses``: the methods put to work, each from a declaration and a table of answers."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bulkflow.cli.outputs import PictureOption
from bulkflow.cli.register_options import DatabaseOption
from bulkflow.cli.shell import ExitCode, FolderArgument, JsonOption, make_app, write_json
from panels.cli.option_blocks import KeepingOptions, PanelWritingOptions, spread
from panels.cli.register import reading_panels
from panels.cli.uses_words import (
    show_arrival,
    show_arrival_plan,
    show_choice,
    show_history,
    show_monitoring,
    show_off_note,
    show_site,
    show_source,
    show_source_plan,
)

__all__ = ["app"]

app = make_app(
    "Qualify a source, approve a site, check an arrival, confirm an off-note, choose and watch"
    " the panel. Every rule is declared in a file before the first glass.",
    name="uses",
)

RuleArgument = Annotated[
    Path, typer.Argument(metavar="DECLARATION.yaml", help="The rule and its risks.")
]
AnswersArgument = Annotated[
    Path, typer.Argument(metavar="ANSWERS.csv", help="Answers, one row each.")
]


@app.command("declare")
@spread
def declare(
    folder: FolderArgument,
    rule: RuleArgument,
    *,
    writing: PanelWritingOptions,
) -> None:
    """Record a declaration in the register, before the first glass.

    Example: panels uses declare scenarios/vejkalna scenarios/vejkalna/panel/uses/arrival.yaml
    --dry-run
    """
    from panels.uses.declaration import read_any_declaration
    from panels.uses.records import declare as record_declaration
    from panels.uses.records import subject_of

    declared = read_any_declaration(rule)
    with writing.panels(folder) as session:
        record = record_declaration(session, declared)
    said = f"Declared the rule for {subject_of(declared)}"
    writing.tell([record], said)


@app.command("history")
def history(
    folder: FolderArgument, *, database: DatabaseOption = None, as_json: JsonOption = False
) -> None:
    """List the findings kept in the register.

    Example: panels uses history scenarios/vejkalna
    """
    from panels.uses.documents import document
    from panels.uses.records import findings

    with reading_panels(folder, database) as session:
        kept = findings(session)
    if as_json:
        listed = [
            {"record": r.seq, "at": r.at, "actor": r.actor, **body.model_dump(mode="json")}
            for r, body in kept
        ]
        write_json(document("history", findings=listed))
    else:
        show_history(kept)


@app.command("source")
@spread
def source(
    rule: RuleArgument,
    answers: AnswersArgument,
    *,
    keeping: KeepingOptions,
) -> int:
    """Qualify a second source of spirit over several deliveries, by similarity tests.

    ANSWERS.csv has columns delivery, date, assessor, correct (1 or 0) and, where wanted, order
    (such as ABA). Every delivery must pass by itself. Ends with 3 unless the source is qualified.

    Example: panels uses source scenarios/vejkalna/panel/uses/source.yaml
    scenarios/vejkalna/panel/uses/source.csv
    """
    from panels.methods.protocols import ForcedChoice
    from panels.uses.answers import read_answers
    from panels.uses.declaration import SourceRule, read_declaration
    from panels.uses.documents import document
    from panels.uses.records import finding_of
    from panels.uses.source import SourceConclusion, judge_source

    declared = read_declaration(rule, SourceRule)
    given = read_answers(
        answers,
        group="delivery",
        test=ForcedChoice.of(declared.test),
        declared=declared.declared,
    )
    result = judge_source(declared, given)
    passed = result.conclusion is SourceConclusion.QUALIFIED
    finding = finding_of(
        declared,
        conclusion=result.conclusion.value,
        passed=passed,
        words=result.words,
        first_day=given.first_day,
        result=result,
        tables={"answers": answers},
    )
    keeping.keep(finding)
    if keeping.as_json:
        rule_plain = declared.model_dump(mode="json")
        write_json(
            document("source", declaration=rule_plain, answers_sha256=given.sha256, result=result)
        )
    else:
        show_source(declared, result)
    return _gate(passed=passed)


@app.command("site")
@spread
def site(
    rule: RuleArgument,
    ratings: AnswersArgument,
    *,
    keeping: KeepingOptions,
) -> int:
    """Approve a new bottling site: trial runs rated for their difference from the standard.

    ANSWERS.csv has columns run, date, assessor, difference (0 is none); the blind control is one
    of the runs. Ends with 3 unless the site is approved.

    Example: panels uses site scenarios/vejkalna/panel/uses/site.yaml
    scenarios/vejkalna/panel/uses/site.csv
    """
    from panels.uses.declaration import SiteRule, read_declaration
    from panels.uses.documents import document
    from panels.uses.records import finding_of
    from panels.uses.site import SiteConclusion, judge_site, read_ratings

    declared = read_declaration(rule, SiteRule)
    given = read_ratings(ratings, declared)
    result = judge_site(declared, given.table)
    passed = result.conclusion is SiteConclusion.APPROVED
    finding = finding_of(
        declared,
        conclusion=result.conclusion.value,
        passed=passed,
        words=result.words,
        first_day=given.first_day,
        result=result,
        tables={"ratings": ratings},
    )
    keeping.keep(finding)
    if keeping.as_json:
        write_json(document("site", declaration=declared.model_dump(mode="json"), result=result))
    else:
        show_site(result)
    return _gate(passed=passed)


@app.command("arrival")
@spread
def arrival(
    rule: RuleArgument,
    answers: AnswersArgument,
    *,
    picture: PictureOption = None,
    keeping: KeepingOptions,
) -> int:
    """Check bulk that arrived against the retained sample, trial by trial.

    ANSWERS.csv has columns load, date, assessor, correct (1 or 0), in the order given, and where
    wanted order. Ends with 3 unless every load is accepted.

    Example: panels uses arrival scenarios/vejkalna/panel/uses/arrival.yaml
    scenarios/vejkalna/panel/uses/arrival.csv
    """
    from panels.methods.protocols import ForcedChoice
    from panels.uses.answers import read_answers
    from panels.uses.arrival import ArrivalFinding, judge_arrival
    from panels.uses.declaration import ArrivalRule, read_declaration
    from panels.uses.documents import document
    from panels.uses.records import finding_of

    declared = read_declaration(rule, ArrivalRule)
    test = ForcedChoice.of(declared.test)
    given = read_answers(answers, group="load", test=test, declared=declared.declared)
    result = judge_arrival(declared, given)
    passed = all(load.finding is ArrivalFinding.ACCEPT for load in result.loads)
    finding = finding_of(
        declared,
        conclusion="accepted" if passed else "not all accepted",
        passed=passed,
        words=result.words,
        first_day=given.first_day,
        result=result,
        tables={"answers": answers},
    )
    if picture is not None:
        from panels.uses.arrival import sequential_plan
        from panels.uses.picture import draw_arrival

        draw_arrival(sequential_plan(declared), given.by_group, declared.most_trials, picture)
    keeping.keep(finding)
    if keeping.as_json:
        rule_plain = declared.model_dump(mode="json")
        write_json(
            document("arrival", declaration=rule_plain, answers_sha256=given.sha256, result=result)
        )
    else:
        show_arrival(result)
    return _gate(passed=passed)


@app.command("off-note")
@spread
def off_note(
    rule: RuleArgument,
    answers: AnswersArgument,
    records: Annotated[
        Path, typer.Argument(metavar="RECORDS.csv", help="Who noticed which off-note before.")
    ],
    *,
    keeping: KeepingOptions,
) -> int:
    """Confirm a suspected off-note by those who can notice it (3-AFC), or lay it to rest.

    ANSWERS.csv has columns lot, date, assessor, correct (1 or 0); RECORDS.csv has assessor,
    off_note, correct, trials, from directed tests with known samples. Ends with 3 unless the lot
    is shown to be similar.

    Example: panels uses off-note scenarios/vejkalna/panel/uses/off_note.yaml
    scenarios/vejkalna/panel/uses/off_note.csv scenarios/vejkalna/panel/uses/records.csv
    """
    from panels.uses.declaration import OffNoteUseRule, read_declaration
    from panels.uses.documents import document
    from panels.uses.off_note import judge_off_note, read_note_answers, read_records
    from panels.uses.records import finding_of

    declared = read_declaration(rule, OffNoteUseRule)
    given = read_note_answers(answers, declared)
    result = judge_off_note(declared, given, read_records(records))
    passed = result.finding == "similar"
    finding = finding_of(
        declared,
        conclusion=result.finding,
        passed=passed,
        words=result.words,
        first_day=given.first_day,
        result=result,
        tables={"answers": answers, "records": records},
    )
    keeping.keep(finding)
    if keeping.as_json:
        rule_plain = declared.model_dump(mode="json")
        write_json(
            document("off-note", declaration=rule_plain, answers_sha256=given.sha256, result=result)
        )
    else:
        show_off_note(declared.note, result)
    return _gate(passed=passed)


@app.command("choose")
@spread
def choose(
    rule: RuleArgument,
    scores: Annotated[Path, typer.Argument(metavar="SCORES.csv", help="Scores of a trial.")],
    *,
    records: Annotated[
        Path | None, typer.Option("--records", help="Directed tests on off-notes, as a table.")
    ] = None,
    keeping: KeepingOptions,
) -> None:
    """Choose the panel by the declared rule; say who needs training, and in what.

    SCORES.csv has columns date, assessor, product, score: every assessor scores every product,
    equally often, at least twice.

    Example: panels uses choose scenarios/vejkalna/panel/uses/panel.yaml
    scenarios/vejkalna/panel/uses/trial.csv --records
    scenarios/vejkalna/panel/uses/records.csv
    """
    from panels.uses.choosing import choice_parts, choose_panel, read_trial
    from panels.uses.declaration import PanelRule, read_declaration
    from panels.uses.documents import document
    from panels.uses.off_note import read_records
    from panels.uses.records import finding_of

    declared = read_declaration(rule, PanelRule)
    trial = read_trial(scores, declared)
    result = choose_panel(declared, trial, read_records(records) if records else ())
    parts = choice_parts(result)
    finding = finding_of(
        declared,
        conclusion=", ".join(result.chosen) or "nobody",
        passed=bool(result.chosen),
        words=result.words,
        first_day=trial.first_day,
        result=parts,
        tables={"scores": scores} | ({"records": records} if records else {}),
    )
    keeping.keep(finding)
    if keeping.as_json:
        write_json(document("choose", declaration=declared.model_dump(mode="json"), **parts))
    else:
        show_choice(result)


@app.command("monitor")
def monitor(
    rule: RuleArgument,
    scores: Annotated[
        Path, typer.Argument(metavar="SCORES.csv", help="Scores of the blind reference.")
    ],
    *,
    picture: PictureOption = None,
    as_json: JsonOption = False,
) -> None:
    """Watch the panel: the blind reference's score over sittings, on charts.

    SCORES.csv has columns sitting, date, assessor, score, one row an assessor and sitting. The
    picture shows the panel and up to three assessors who drift.

    Example: panels uses monitor scenarios/vejkalna/panel/uses/panel.yaml
    scenarios/vejkalna/panel/uses/reference.csv
    """
    from panels.uses.declaration import PanelRule, read_declaration
    from panels.uses.documents import document
    from panels.uses.monitoring import monitor_panel, read_reference_scores

    declared = read_declaration(rule, PanelRule)
    result = monitor_panel(declared, read_reference_scores(scores, declared))
    if picture is not None:
        from panels.uses.picture import draw_drift

        drifting = {name: result.assessors[name] for name in list(result.drifting)[:3]}
        draw_drift({"panel": result.panel, **drifting}, picture)
    if not as_json:
        show_monitoring(result)
        return
    write_json(
        document(
            "monitor",
            declaration=declared.model_dump(mode="json"),
            panel=result.panel.to_frame(),
            signals=result.panel.signals,
            assessors={name: drift.signals for name, drift in result.assessors.items()},
            drifting=result.drifting,
            too_few=result.too_few,
            words=result.words,
        )
    )


@app.command("plan")
def plan(rule: RuleArgument, *, as_json: JsonOption = False) -> None:
    """Say what a declaration of a source or an arrival asks for, before the first glass.

    Example: panels uses plan scenarios/vejkalna/panel/uses/arrival.yaml
    """
    from bulkflow.reading.yamlfile import read_yaml
    from panels.uses.arrival import plan_arrival
    from panels.uses.declaration import ArrivalRule, SourceRule, read_declaration
    from panels.uses.documents import document
    from panels.uses.source import plan_source

    if read_yaml(rule).entries().get("use") == "arrival":
        arrival_rule = read_declaration(rule, ArrivalRule)
        promise = plan_arrival(arrival_rule)
        if as_json:
            rule_plain = arrival_rule.model_dump(mode="json")
            write_json(document("plan", declaration=rule_plain, plan=promise))
        else:
            show_arrival_plan(promise)
        return
    source_rule = read_declaration(rule, SourceRule)
    needs = plan_source(source_rule)
    if as_json:
        rule_plain = source_rule.model_dump(mode="json")
        write_json(document("plan", declaration=rule_plain, plan=needs))
    else:
        show_source_plan(source_rule, needs)


def _gate(*, passed: bool) -> int:
    return ExitCode.DONE if passed else ExitCode.NO_PLAN
