"""``panels uses``: the methods put to work, each from a declaration and a table of answers."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bulkflow.cli.shell import ExitCode, JsonOption, make_app, write_json
from panels.cli.uses_words import (
    show_arrival,
    show_arrival_plan,
    show_choice,
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


@app.command("source")
def source(rule: RuleArgument, answers: AnswersArgument, *, as_json: JsonOption = False) -> int:
    """Qualify a second source of spirit over several deliveries, by similarity tests.

    ANSWERS.csv has columns delivery, date, assessor, correct (1 or 0) and, where wanted, order
    (such as ABA). Every delivery must pass by itself. Ends with 3 unless the source is qualified.

    Example: panels uses source demo/source.yaml demo/source.csv
    """
    from panels.methods.protocols import ForcedChoice
    from panels.uses.answers import read_answers
    from panels.uses.declaration import SourceRule, read_declaration
    from panels.uses.documents import document
    from panels.uses.source import SourceConclusion, judge_source

    declared = read_declaration(rule, SourceRule)
    given = read_answers(
        answers,
        group="delivery",
        test=ForcedChoice.of(declared.test),
        declared=declared.declared,
    )
    result = judge_source(declared, given)
    if as_json:
        rule_plain = declared.model_dump(mode="json")
        write_json(
            document("source", declaration=rule_plain, answers_sha256=given.sha256, result=result)
        )
    else:
        show_source(declared, result)
    return _gate(passed=result.conclusion is SourceConclusion.QUALIFIED)


@app.command("site")
def site(rule: RuleArgument, ratings: AnswersArgument, *, as_json: JsonOption = False) -> int:
    """Approve a new bottling site: trial runs rated for their difference from the standard.

    ANSWERS.csv has columns run, date, assessor, difference (0 is none); the blind control is one
    of the runs. Ends with 3 unless the site is approved.

    Example: panels uses site demo/site.yaml demo/site.csv
    """
    from panels.uses.declaration import SiteRule, read_declaration
    from panels.uses.documents import document
    from panels.uses.site import SiteConclusion, judge_site, read_ratings

    declared = read_declaration(rule, SiteRule)
    result = judge_site(declared, read_ratings(ratings, declared))
    if as_json:
        write_json(document("site", declaration=declared.model_dump(mode="json"), result=result))
    else:
        show_site(result)
    return _gate(passed=result.conclusion is SiteConclusion.APPROVED)


@app.command("arrival")
def arrival(rule: RuleArgument, answers: AnswersArgument, *, as_json: JsonOption = False) -> int:
    """Check bulk that arrived against the retained sample, trial by trial.

    ANSWERS.csv has columns load, date, assessor, correct (1 or 0), in the order given, and where
    wanted order. Ends with 3 unless every load is accepted.

    Example: panels uses arrival demo/arrival.yaml demo/arrival.csv
    """
    from panels.methods.protocols import ForcedChoice
    from panels.uses.answers import read_answers
    from panels.uses.arrival import ArrivalFinding, judge_arrival
    from panels.uses.declaration import ArrivalRule, read_declaration
    from panels.uses.documents import document

    declared = read_declaration(rule, ArrivalRule)
    test = ForcedChoice.of(declared.test)
    given = read_answers(answers, group="load", test=test, declared=declared.declared)
    result = judge_arrival(declared, given)
    if as_json:
        rule_plain = declared.model_dump(mode="json")
        write_json(
            document("arrival", declaration=rule_plain, answers_sha256=given.sha256, result=result)
        )
    else:
        show_arrival(result)
    return _gate(passed=all(load.finding is ArrivalFinding.ACCEPT for load in result.loads))


@app.command("off-note")
def off_note(
    rule: RuleArgument,
    answers: AnswersArgument,
    records: Annotated[
        Path, typer.Argument(metavar="RECORDS.csv", help="Who noticed which off-note before.")
    ],
    *,
    as_json: JsonOption = False,
) -> int:
    """Confirm a suspected off-note by those who can notice it (3-AFC), or lay it to rest.

    ANSWERS.csv has columns lot, date, assessor, correct (1 or 0); RECORDS.csv has assessor,
    off_note, correct, trials, from directed tests with known samples. Ends with 3 unless the lot
    is shown to be similar.

    Example: panels uses off-note demo/off_note.yaml demo/off_note.csv demo/records.csv
    """
    from panels.uses.declaration import OffNoteUseRule, read_declaration
    from panels.uses.documents import document
    from panels.uses.off_note import judge_off_note, read_note_answers, read_records

    declared = read_declaration(rule, OffNoteUseRule)
    given = read_note_answers(answers, declared)
    result = judge_off_note(declared, given, read_records(records))
    if as_json:
        rule_plain = declared.model_dump(mode="json")
        write_json(
            document("off-note", declaration=rule_plain, answers_sha256=given.sha256, result=result)
        )
    else:
        show_off_note(declared.note, result)
    return _gate(passed=result.finding == "similar")


@app.command("choose")
def choose(
    rule: RuleArgument,
    scores: Annotated[Path, typer.Argument(metavar="SCORES.csv", help="Scores of a trial.")],
    *,
    records: Annotated[
        Path | None, typer.Option("--records", help="Directed tests on off-notes, as a table.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Choose the panel by the declared rule; say who needs training, and in what.

    SCORES.csv has columns date, assessor, product, score: every assessor scores every product,
    equally often, at least twice.

    Example: panels uses choose demo/panel.yaml demo/trial.csv --records demo/records.csv
    """
    from panels.uses.choosing import choose_panel, read_trial
    from panels.uses.declaration import PanelRule, read_declaration
    from panels.uses.documents import document
    from panels.uses.off_note import read_records

    declared = read_declaration(rule, PanelRule)
    trial = read_trial(scores, declared)
    result = choose_panel(declared, trial, read_records(records) if records else ())
    if not as_json:
        show_choice(result)
        return
    performance = result.performance
    write_json(
        document(
            "choose",
            declaration=declared.model_dump(mode="json"),
            assessors=performance.to_frame(),
            repeatability=performance.repeatability,
            agreement_can_be_judged=performance.agreement_can_be_judged,
            reviews=result.reviews,
            sensitivity=result.sensitivity,
            chosen=result.chosen,
            sensitive=result.sensitive,
            words=result.words,
        )
    )


@app.command("monitor")
def monitor(
    rule: RuleArgument,
    scores: Annotated[
        Path, typer.Argument(metavar="SCORES.csv", help="Scores of the blind reference.")
    ],
    *,
    as_json: JsonOption = False,
) -> None:
    """Watch the panel: the blind reference's score over sittings, on charts.

    SCORES.csv has columns sitting, date, assessor, score, one row an assessor and sitting.

    Example: panels uses monitor demo/panel.yaml demo/reference.csv
    """
    from panels.uses.declaration import PanelRule, read_declaration
    from panels.uses.documents import document
    from panels.uses.monitoring import monitor_panel, read_reference_scores

    declared = read_declaration(rule, PanelRule)
    result = monitor_panel(declared, read_reference_scores(scores, declared))
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

    Example: panels uses plan demo/arrival.yaml
    """
    from panels.reading import read_yaml
    from panels.uses.arrival import plan_arrival
    from panels.uses.declaration import ArrivalRule, SourceRule, read_declaration
    from panels.uses.documents import document
    from panels.uses.source import plan_source

    data = read_yaml(rule).data
    if isinstance(data, dict) and data.get("use") == "arrival":
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
