"""``bulkflow loads``: which lots fill which loads, how far loads have come, their sheets."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bulkflow.cli import load_sheets
from bulkflow.cli.load_options import LoadArgument, OnOption, on_day, workspace_of
from bulkflow.cli.load_views import (
    load_document,
    lots_in_words,
    print_gates,
    print_held,
    print_load,
    print_proposal,
    proposal_document,
    step_document,
    step_in_words,
)
from bulkflow.cli.option_blocks import WritingOptions, spread
from bulkflow.cli.register_options import (
    DatabaseOption,
    ReasonOption,
    day_option,
    decimal_option,
    noted_table,
    plain_data,
    plain_table,
    reading_register,
)
from bulkflow.cli.shell import (
    ExitCode,
    FolderArgument,
    JsonOption,
    PlanArgument,
    make_app,
    message_console,
    result_console,
    write_json,
)
from bulkflow.errors import Fault, InputError

if TYPE_CHECKING:
    from bulkflow.loads.queries import LoadFilter

__all__ = ["app"]

app = make_app(
    "Loads: filled from lots, promised, issued, loaded, sent; their load and arrival sheets.",
    name="loads",
)


@app.command("allocate")
@spread
def allocate(
    folder: FolderArgument,
    plan: PlanArgument,
    *,
    until: Annotated[
        str | None,
        typer.Option(metavar="DATE", help="Last loading day [default: end of the quarter]."),
    ] = None,
    seconds: Annotated[
        float | None,
        typer.Option(
            min=0.1,
            help="Time for each goal of each group of loads [default: none; ended by work].",
        ),
    ] = None,
    on: OnOption = None,
    writing: WritingOptions,
) -> None:
    """Fill the loads of a plan from lots.

    They are kept on the register. Loads that released lots cannot fill are held, with the
    reason and the earliest day.
    Promised and later loads keep their names; what is issued stays as it is.

    Example: bulkflow loads allocate scenarios/vejkalna plans/vejkalna --dry-run
    """
    from bulkflow.account.position import as_planned
    from bulkflow.cli.progress import waiting
    from bulkflow.loads.proposing import keep, propose
    from bulkflow.plan.belongs import refuse_foreign
    from bulkflow.plan.write import read_plan_at

    workspace = workspace_of(folder)
    result = read_plan_at(plan)
    refuse_foreign(result.plan, workspace.scenario, file=str(plan))
    opened = as_planned(
        workspace.scenario, workspace.folder, writing.database, result, as_kept=False
    )
    last, day = day_option("--until", until), on_day(on)
    with writing.register(folder) as session:
        with waiting("filling loads from lots"):
            found = propose(
                session,
                opened.scenario,
                result.plan,
                chain_head=result.chain_head,
                until=last,
                seconds=seconds,
            )
        records = keep(session, found, on=day)
    if writing.as_json:
        write_json(
            proposal_document(found, kept=not writing.dry_run, records=[r.seq for r in records])
        )
    else:
        print_proposal(result_console(), found)


@app.command("list")
def list_(
    folder: FolderArgument,
    *,
    state: Annotated[list[str] | None, typer.Option(help="Only in this state; repeatable.")] = None,
    lane: Annotated[str | None, typer.Option(help="Only on this lane.")] = None,
    destination: Annotated[str | None, typer.Option(help="Only to this site.")] = None,
    lot: Annotated[str | None, typer.Option(help="Only those that hold this lot.")] = None,
    since: Annotated[str | None, typer.Option("--from", metavar="DATE")] = None,
    until: Annotated[str | None, typer.Option("--to", metavar="DATE")] = None,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """List loads, their states and lots.

    Example: bulkflow loads list scenarios/vejkalna --state departed --state promised
    """
    from bulkflow.loads.queries import loads_in

    wanted = _filter(
        state or [],
        lane_id=lane,
        destination=destination,
        lot_id=lot,
        loading_from=day_option("--from", since),
        loading_to=day_option("--to", until),
    )
    with reading_register(folder, database) as (_, session):
        found = loads_in(session, wanted)
    if as_json:
        loads = [load_document(one) for one in found]
        write_json({"schema": "bulkflow.loads", "version": 1, "loads": loads})
        return
    console = result_console()
    if not found:
        console.print("No load fits.")
        return
    rows = [
        [
            one.load_id,
            one.state.value,
            str(one.loading_day),
            one.destination,
            f"{one.lpa:,.0f}",
        ]
        for one in found
    ]
    columns = {
        "Load, and its lots": "left", "State": "left", "Loading": "left", "To": "left",
        "LPA": "right",
    }  # fmt: skip
    noted_table(console, columns, rows, [lots_in_words(one) for one in found])
    print_held(console, found)


@app.command("show")
def show(
    folder: FolderArgument,
    load: LoadArgument,
    *,
    on: OnOption = None,
    gate: Annotated[
        bool, typer.Option("--gate", help="Exit with code 3 unless every gate is open.")
    ] = False,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> int:
    """Show a load, its gates and its steps.

    Its days, its lots, the gates open and closed, the steps taken and those that may follow.

    Example: bulkflow loads show scenarios/vejkalna riga-norfolk-270104-1
    """
    from bulkflow.loads.gates import load_gates
    from bulkflow.loads.queries import find_load, steps_of
    from bulkflow.loads.steps import NEXT_STATES

    workspace = workspace_of(folder)
    with reading_register(folder, database) as (_, session):
        found = find_load(session, load)
        day = on_day(on) if on else found.loading_day
        gates = load_gates(session, found, workspace.scenario, on=day)
        steps = steps_of(session, load)
    ready = all(one.is_open for one in gates)
    following = sorted(state.value for state in NEXT_STATES[found.state])
    if as_json:
        write_json(
            {
                "schema": "bulkflow.load",
                "version": 1,
                "load": load_document(found),
                "gates": plain_data(gates),
                "every_gate_open": ready,
                "steps": [step_document(one) for one in steps],
                "may_follow": following,
            }
        )
    else:
        console = result_console()
        print_load(console, found)
        print_gates(console, gates)
        rows = [
            [
                str(one.record),
                one.step.state.value,
                str(one.step.on),
                one.actor,
                step_in_words(one.step),
            ]
            for one in steps
        ]
        columns = {
            "No.": "right", "Step": "whole", "Day": "whole", "Who": "left", "With": "left"
        }  # fmt: skip
        console.print("\nSteps")
        console.print(plain_table(columns, rows))
        console.print(f"\nMay follow: {', '.join(following) or 'nothing'}.")
    return ExitCode.NO_PLAN if gate and not ready else ExitCode.DONE


@app.command("step")
@spread
def step(
    folder: FolderArgument,
    load: LoadArgument,
    state: Annotated[
        str,
        typer.Argument(
            metavar="STATE",
            help="planned, promised, held, issued, loaded, departed, arrived, discharged,"
            " reconciled or withdrawn.",
        ),
    ],
    *,
    on: OnOption = None,
    reason: Annotated[str | None, typer.Option(help="Why; needed to hold or withdraw.")] = None,
    earliest: Annotated[
        str | None, typer.Option(metavar="DATE", help="Of a held load: when it could be filled.")
    ] = None,
    movement: Annotated[
        str | None, typer.Option(help="Reference of the excise movement document.")
    ] = None,
    gross_mass: Annotated[
        str | None, typer.Option(metavar="KG", help="Verified gross mass, on loading.")
    ] = None,
    lpa: Annotated[
        str | None, typer.Option(metavar="LPA", help="Measured at this step, the whole load.")
    ] = None,
    temperature: Annotated[
        str | None, typer.Option(metavar="DEGC", help="Of the liquid when gauged.")
    ] = None,
    drawn: Annotated[
        list[str] | None,
        typer.Option(metavar="LOT=LPA", help="On loading: what was really drawn; repeatable."),
    ] = None,
    seal: Annotated[list[str] | None, typer.Option(help="Seal put on; repeatable.")] = None,
    writing: WritingOptions,
) -> None:
    """Record the next step of a load.

    Only legal steps, and no closed gate is passed (exit code 3). Loading draws the LPA from the
    lots.

    Example: bulkflow loads step scenarios/vejkalna riga-norfolk-270104-1 promised --on 2027-01-04
    --dry-run
    """
    from bulkflow.loads.acts import record_step
    from bulkflow.loads.bodies import LoadStep
    from bulkflow.loads.gates import LoadGateKind, load_gates
    from bulkflow.loads.queries import find_load
    from bulkflow.reading.shape import body_of

    workspace = workspace_of(folder)
    body = body_of(
        LoadStep,
        {
            "load_id": load,
            "state": _state(state),
            "on": on_day(on),
            "reason": reason,
            "earliest_day": day_option("--earliest", earliest),
            "movement_reference": movement,
            "gross_mass_kg": decimal_option("--gross-mass", gross_mass),
            "lpa": decimal_option("--lpa", lpa),
            "temperature_c": decimal_option("--temperature", temperature),
            "seals": tuple(seal or ()),
        },
    )
    shares = _drawn(drawn) if drawn else None
    with writing.register(folder) as session:
        gates = load_gates(session, find_load(session, load), workspace.scenario, on=body.on)
        records = record_step(session, body, scenario=workspace.scenario, shares=shares)
    said = f"{load} is {body.state.value}"
    for gate in gates:
        if gate.kind is LoadGateKind.BESIDE:
            message_console().print(f"Before loading: {gate.reason}.", soft_wrap=True)
    writing.tell(records, said)


@app.command("divert")
@spread
def divert_(
    folder: FolderArgument,
    load: LoadArgument,
    lane: Annotated[str, typer.Argument(metavar="LANE", help="The lane that it now takes.")],
    *,
    arrives: Annotated[str, typer.Option("--arrives", metavar="DATE", help="Expected there.")],
    reason: ReasonOption,
    writing: WritingOptions,
) -> None:
    """Record that a load on its way goes to another receiver.

    Tell the authority as well: the movement document has to be changed.

    Example: bulkflow loads divert scenarios/vejkalna W-101 riga-santos --arrives 2027-01-30
    --reason refused
    """
    from bulkflow.loads.acts import divert

    workspace, day = workspace_of(folder), day_option("--arrives", arrives)
    if day is None:
        raise InputError(Fault("", 0, "--arrives", "is empty", "Give a date as YYYY-MM-DD."))
    with writing.register(folder) as session:
        record = divert(session, load, lane, workspace.scenario, arrives=day, reason=reason)
    writing.tell([record], f"{load} goes by {lane} to {record.content['destination']}")


@app.command("seal")
@spread
def seal_(
    folder: FolderArgument,
    load: LoadArgument,
    seals: Annotated[list[str], typer.Argument(metavar="SEAL...", help="Put on now.")],
    *,
    on: OnOption = None,
    broken: Annotated[
        list[str] | None, typer.Option("--broken", metavar="SEAL", help="Off now; repeatable.")
    ] = None,
    reason: ReasonOption,
    writing: WritingOptions,
) -> None:
    """Record that a load on its way was sealed anew, after a seal was broken or opened.

    The arrival sheet names the seals that should be on it.

    Example: bulkflow loads seal scenarios/vejkalna W-101 S-77 --on 2027-01-08 --reason "opened by
    customs"
    """
    from bulkflow.loads.acts import seal_anew
    from bulkflow.loads.bodies import Sealing
    from bulkflow.reading.shape import body_of

    body = body_of(
        Sealing,
        {
            "load_id": load,
            "on": on_day(on),
            "seals": tuple(seals),
            "broken": tuple(broken or ()),
            "reason": reason,
        },
    )
    with writing.register(folder) as session:
        record = seal_anew(session, body)
    writing.tell([record], f"{load} is sealed with {', '.join(seals)}")


@app.command("tank")
@spread
def tank(
    folder: FolderArgument,
    load: LoadArgument,
    number: Annotated[str, typer.Argument(metavar="TANK", help="The tank's number.")],
    *,
    on: OnOption = None,
    cargo: Annotated[
        list[str] | None, typer.Option(help="Last cargo, the newest first; give three.")
    ] = None,
    cleaning: Annotated[str | None, typer.Option(help="Number of the cleaning document.")] = None,
    cleaned_on: Annotated[str | None, typer.Option(metavar="DATE")] = None,
    cleaned_at: Annotated[str | None, typer.Option(help="The cleaning station.")] = None,
    code: Annotated[
        list[str] | None, typer.Option(help="Code on the cleaning document; repeatable.")
    ] = None,
    seal: Annotated[list[str] | None, typer.Option(help="Seal found on it; repeatable.")] = None,
    seals_intact: Annotated[bool, typer.Option("--seals-intact/--seals-broken")] = False,
    gasket: Annotated[str | None, typer.Option(help="Material of the gaskets.")] = None,
    tank_nose: Annotated[str | None, typer.Option(help="clean or tainted.")] = None,
    hose_nose: Annotated[str | None, typer.Option(help="clean or tainted.")] = None,
    kosher: Annotated[
        str | None, typer.Option(help="Document of its kosher status; 'none' where asked for.")
    ] = None,
    organic: Annotated[
        str | None, typer.Option(help="Document of its organic status; 'none' where asked for.")
    ] = None,
    capacity: Annotated[str | None, typer.Option(metavar="L", help="By its plate.")] = None,
    tare: Annotated[str | None, typer.Option(metavar="KG", help="By its plate.")] = None,
    gross: Annotated[str | None, typer.Option(metavar="KG", help="By its plate.")] = None,
    note: Annotated[str | None, typer.Option(help="Why a cargo to ask about is taken.")] = None,
    writing: WritingOptions,
) -> int:
    """Record what was found of the tank.

    Exit code 3 if it is not accepted; the record is kept all the same.

    Nobody enters a tank without training, a valid cleaning document and a tested atmosphere; an
    empty tank that was not cleaned counts as full of its last cargo.

    Example: bulkflow loads tank scenarios/vejkalna riga-norfolk-270104-1 "BKFU 204118 7" --cargo
    gin --dry-run
    """
    from bulkflow.loads.acceptance import tank_checks
    from bulkflow.loads.acts import examine_tank
    from bulkflow.loads.bodies import TankAcceptance
    from bulkflow.reading.shape import body_of

    day = on_day(on)
    body = body_of(
        TankAcceptance,
        {
            "load_id": load,
            "tank_number": number,
            "examined_on": day,
            "last_cargoes": tuple(cargo or ()),
            "cleaning_document": cleaning,
            "cleaned_on": day_option("--cleaned-on", cleaned_on),
            "cleaning_codes": tuple(code or ()),
            "cleaned_at": cleaned_at,
            "seals": tuple(seal or ()),
            "seals_intact": seals_intact,
            "gasket_material": gasket,
            "kosher_asked": kosher is not None,
            "kosher_document": _document(kosher),
            "organic_asked": organic is not None,
            "organic_document": _document(organic),
            "tank_nosed": _nosed("--tank-nose", tank_nose),
            "hose_nosed": _nosed("--hose-nose", hose_nose),
            "capacity_litres": decimal_option("--capacity", capacity),
            "tare_kg": decimal_option("--tare", tare),
            "maximum_gross_kg": decimal_option("--gross", gross),
            "note": note,
        },
    )
    with writing.register(folder) as session:
        record = examine_tank(session, body)
    checks = tank_checks(body, on=day)
    accepted = all(check.passed for check in checks)
    if writing.as_json:
        write_json(
            {
                "schema": "bulkflow.tank",
                "version": 1,
                "kept": not writing.dry_run,
                "record": record.fields,
                "accepted": accepted,
                "checks": plain_data(checks),
            }
        )
    else:
        verdict = "accepted" if accepted else "NOT accepted"
        console = result_console()
        console.print(f"Tank {number} for load {load}: {verdict}.")
        rows = [["ok" if c.passed else "NO", c.what, c.words] for c in checks]
        console.print(plain_table({"": "whole", "Asked": "whole", "Found": "left"}, rows))
    return ExitCode.DONE if accepted else ExitCode.NO_PLAN


def _state(text: str) -> Any:
    from bulkflow.loads.bodies import LoadState

    try:
        return LoadState(text)
    except ValueError as error:
        mend = f"Give one of {', '.join(LoadState)}."
        raise InputError(Fault("", 0, "state", f"is {text[:40]!r}", mend)) from error


def _filter(states: Sequence[str], **fields: Any) -> LoadFilter:
    from bulkflow.loads.queries import LoadFilter

    chosen = frozenset(_state(text) for text in states)
    return LoadFilter(states=chosen or None, **fields)


def _drawn(texts: Sequence[str]) -> dict[str, Decimal]:
    found: dict[str, Decimal] = {}
    for text in texts:
        name, sign, amount = text.rpartition("=")
        lpa = decimal_option("--drawn", amount) if sign else None
        if lpa is None or name in found:
            mend = "Give LOT=LPA, such as D-101=8900.5, once for each lot."
            raise InputError(Fault("", 0, "--drawn", f"is {text[:60]!r}", mend))
        found[name] = lpa
    return found


def _document(text: str | None) -> str | None:
    return None if text is None or text.strip().casefold() == "none" else text


def _nosed(option: str, text: str | None) -> bool | None:
    if text is None:
        return None
    verdicts = {"clean": True, "tainted": False}
    if text not in verdicts:
        mend = "Say clean or tainted, or leave it out where it was not nosed."
        raise InputError(Fault("", 0, option, f"is {text[:40]!r}", mend))
    return verdicts[text]


load_sheets.add_to(app)
