"""``bulkflow cases``: complaints and officers' samples, from a bottle to a decision."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from bulkflow.cli.account_options import needed_day
from bulkflow.cli.option_blocks import WritingOptions, spread
from bulkflow.cli.register_options import DatabaseOption
from bulkflow.cli.shell import FolderArgument, JsonOption, make_app, result_console, write_json

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

__all__ = ["app"]

CASES_SCHEMA = "bulkflow-cases/1"

app = make_app(
    "Complaints and officers' samples: what they concern, custody, decision, trend.",
    name="cases",
    sections={"Keep": ("open", "add"), "Look up": ("list", "show")},
)

CaseArgument = Annotated[str, typer.Argument(metavar="CASE", help="The case's name.")]
DayOption = Annotated[str, typer.Option("--on", metavar="DATE", help="The day of it.")]
WordsOption = Annotated[str, typer.Option("--words", help="What is said, in a sentence or two.")]


def open_(
    folder: FolderArgument,
    case: CaseArgument,
    *,
    what: Annotated[
        str, typer.Option("--what", help="complaint, \"officer's sample\" or 'own check'.")
    ],
    about: Annotated[
        str, typer.Option(metavar="KIND:NAME", help="bottle:CODE, load:NAME or lot:NAME.")
    ],
    on: DayOption,
    words: WordsOption,
    topic: Annotated[str | None, typer.Option(help="For the trend, such as haze.")] = None,
    market: Annotated[str | None, typer.Option(help="Where it came from.")] = None,
    hold: Annotated[bool, typer.Option("--hold", help="Hold every lot behind it.")] = False,
    writing: WritingOptions,
) -> None:
    """Open a case on a bottle, a load or a lot; the lots and loads behind it are found.

    Example: bulkflow cases open scenarios/vejkalna C-1 --what complaint --about lot:VK-DRY-2641
    --on 2027-01-20 --words "cloudy at 5 degC" --topic haze --dry-run
    """
    from bulkflow.errors import Fault, InputError
    from bulkflow.lots.bodies import CaseStep
    from bulkflow.lots.cases import open_case
    from bulkflow.reading.shape import body_of

    kind, colon, name = about.partition(":")
    if not colon or kind not in ("bottle", "load", "lot"):
        mend = "Give bottle:CODE, load:NAME or lot:NAME."
        raise InputError(Fault("", 0, "--about", f"is {about[:60]!r}", mend))
    with writing.register(folder) as session:
        lots, loads = _behind(session, kind, name)
        step = body_of(
            CaseStep,
            {
                "case_id": case, "step": "opened", "what": what, "on": needed_day("--on", on),
                "words": words, "about_kind": kind, "about": name, "lots": lots, "loads": loads,
                "topic": topic, "market": market,
            },
        )  # fmt: skip
        records = open_case(session, step, hold=hold)
    behind = ", ".join(lots) or "no lot the register knows"
    writing.tell(records, f"{case} opened on {about}: behind it {behind}")


def _behind(session: Session, kind: str, name: str) -> tuple[list[str], list[str]]:
    """Return the lots and loads behind a bottle, a load or a lot, its own name included."""
    from bulkflow.account.recall import NodeKind, behind_bottle
    from bulkflow.loads.queries import find_load
    from bulkflow.lots.parentage import ancestors_of
    from bulkflow.lots.queries import find_lot

    if kind == "bottle":
        found = behind_bottle(session, name)
        return (
            sorted(one.name for one in found.of_kind(NodeKind.LOT)),
            sorted(one.name for one in found.of_kind(NodeKind.LOAD)),
        )
    if kind == "load":
        load = find_load(session, name)
        first = [share.lot_id for share in load.shares if not share.to_come]
        loads = [name]
    else:
        first, loads = [find_lot(session, name).lot_id], []
    more = [one.lot_id for lot in first for one in ancestors_of(session, lot)]
    return list(dict.fromkeys([*first, *more])), loads


def add(
    folder: FolderArgument,
    case: CaseArgument,
    *,
    step: Annotated[str, typer.Option(help="sample, result, note, decided or closed.")],
    on: DayOption,
    words: WordsOption,
    sample: Annotated[str | None, typer.Option(help="The sample handed over.")] = None,
    seal: Annotated[str | None, typer.Option(help="Its seal.")] = None,
    from_hand: Annotated[str | None, typer.Option("--from", help="Who gave it.")] = None,
    to_hand: Annotated[str | None, typer.Option("--to", help="Who received it.")] = None,
    outcome: Annotated[
        str | None, typer.Option(help="justified, 'not justified' or open; of a decision.")
    ] = None,
    hold: Annotated[
        list[str] | None, typer.Option("--hold", metavar="LOT", help="Hold this lot; repeatable.")
    ] = None,
    writing: WritingOptions,
) -> None:
    """Add a step to a case: a sample handed over, a result, a note, the decision, the end.

    Example: bulkflow cases add scenarios/vejkalna C-1 --step sample --sample R-2641 --seal 114
    --from "store" --to "Berzin laboratory" --on 2027-01-22 --words "half a litre" --dry-run
    """
    from bulkflow.lots.bodies import CaseStep
    from bulkflow.lots.cases import add_step
    from bulkflow.reading.shape import body_of

    body = body_of(
        CaseStep,
        {
            "case_id": case, "step": step, "on": needed_day("--on", on), "words": words,
            "sample_id": sample, "seal": seal, "from_hand": from_hand, "to_hand": to_hand,
            "outcome": outcome,
        },
    )  # fmt: skip
    with writing.register(folder) as session:
        records = add_step(session, body, hold=hold or ())
    writing.tell(records, f"{case}: {step}")


def show(
    folder: FolderArgument,
    case: CaseArgument,
    *,
    database: DatabaseOption = None,
    json: JsonOption = False,
) -> None:
    """Show a case: what it is about, its steps, the custody of its samples, the lots now.

    Example: bulkflow cases show scenarios/vejkalna C-1
    """
    from bulkflow.cli.register_options import reading_register
    from bulkflow.lots.cases import case_named
    from bulkflow.lots.queries import lots_named
    from bulkflow.lots.samples import kept_samples
    from bulkflow.plan.answer import plain_table

    with reading_register(folder, database) as (_, session):
        found = case_named(session, case)
        lots = lots_named(session, found.first.lots)
        kept = {name: kept_samples(session, lot_id=name) for name in lots}
    if json:
        steps = [one.model_dump(mode="json", exclude_none=True) for one in found.steps]
        write_json(
            {
                "schema": CASES_SCHEMA,
                "case_id": found.case_id,
                "state": found.state,
                "outcome": found.outcome,
                "steps": steps,
                "lots": {name: line.status.value for name, line in lots.items()},
                "samples": {name: [one.sample_id for one in some] for name, some in kept.items()},
            }
        )
        return
    console = result_console()
    first = found.first
    console.print(
        f"{found.case_id}: {first.what} about {first.about_kind} {first.about}, {found.state}"
        + (f", {found.outcome}" if found.outcome else "")
        + "."
    )
    table = plain_table("day", "step", "what", "by")
    for one, actor in zip(found.steps, found.actors, strict=True):
        hands = f"{one.from_hand or '-'} to {one.to_hand}"
        moved = f" ({one.sample_id}: {hands}, seal {one.seal or '-'})"
        table.add_row(
            one.on.isoformat(), one.step, one.words + (moved if one.step == "sample" else ""), actor
        )
    console.print(table)
    for name, line in lots.items():
        samples = ", ".join(one.sample_id for one in kept[name]) or "none"
        console.print(f"Lot {name} is {line.status.value}; retained samples: {samples}.")


def list_(
    folder: FolderArgument, *, database: DatabaseOption = None, json: JsonOption = False
) -> None:
    """List the cases with their state, and how many there were by month and topic.

    Example: bulkflow cases list scenarios/vejkalna
    """
    from bulkflow.cli.register_options import reading_register
    from bulkflow.lots.cases import cases, trend
    from bulkflow.plan.answer import plain_table

    with reading_register(folder, database) as (_, session):
        found = cases(session)
    counted = trend(found)
    if json:
        rows = [
            {
                "case_id": one.case_id,
                "what": one.first.what,
                "about": f"{one.first.about_kind}:{one.first.about}",
                "opened_on": one.first.on.isoformat(),
                "topic": one.first.topic,
                "state": one.state,
                "outcome": one.outcome,
            }
            for one in found
        ]
        by_month = [{"month": m, "topic": t, "cases": n} for m, t, n in counted]
        write_json({"schema": CASES_SCHEMA, "cases": rows, "trend": by_month})
        return
    console = result_console()
    if not found:
        console.print("There is no case.")
        return
    table = plain_table("case", "opened", "what", "about", "state", "outcome")
    for one in found:
        table.add_row(
            one.case_id, one.first.on.isoformat(), one.first.what or "",
            f"{one.first.about_kind} {one.first.about}", one.state, one.outcome or "",
        )  # fmt: skip
    console.print(table)
    trends = plain_table("month", "topic", "cases", right=("cases",))
    for month, topic, count in counted:
        trends.add_row(month, topic, str(count))
    console.print(trends)


for _name, _command in (("open", open_), ("add", add), ("show", show), ("list", list_)):
    app.command(_name)(spread(_command))
