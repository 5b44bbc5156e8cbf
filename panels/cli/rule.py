"""``panels rule``: release rules, their risks, and how many assessors given risks need."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bulkflow.cli.outputs import PictureOption
from bulkflow.cli.register_options import AsOption, DatabaseOption, plain_data, plain_table
from bulkflow.cli.shell import (
    FolderArgument,
    JsonOption,
    make_app,
    message_console,
    result_console,
    write_json,
)
from bulkflow.errors import Fault, InputError
from panels.cli.register import panel_folder, reading_panels, writing_panels

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from panels.release.characteristic import Characteristic, CharacteristicPoint
    from panels.release.rule import ReleaseRule
    from panels.release.simulation import Progress

__all__ = ["app", "declare_missing", "known_risks"]

app = make_app("Declare release rules, and see the risks they run.", name="rule")

LiquidOption = Annotated[
    str | None, typer.Option("--liquid", help="Only the rule of this liquid [default: all].")
]
ErrorOption = Annotated[
    float,
    typer.Option("--standard-error", help="Largest Monte Carlo standard error of any chance."),
]
SeedOption = Annotated[int, typer.Option("--seed", help="Seed of the simulation.")]


@app.command("risks")
def risks(
    folder: FolderArgument,
    *,
    liquid: LiquidOption = None,
    standard_error: ErrorOption = 0.01,
    seed: SeedOption = 1,
    picture: PictureOption = None,
    as_json: JsonOption = False,
) -> None:
    """Simulate how often rules release, hold or reject: their operating characteristic.

    The rules are those in panel/rules.yaml; the result is kept in panel/characteristics and
    declared with the rule.

    Example: panels rule risks scenarios/vejkalna --standard-error 0.02 --liquid VK-DRY
    """
    from panels.release.files import read_rules, write_characteristic

    panel = panel_folder(folder)
    chosen = _chosen(read_rules(panel / "rules.yaml"), liquid)
    if picture is not None and len(chosen) > 1:
        raise InputError(
            Fault("", 0, "--out", "is one file for several rules", "Choose a --liquid.")
        )
    found = []
    for rule in chosen:
        characteristic = _computed(rule, seed=seed, standard_error=standard_error)
        write_characteristic(panel, rule, characteristic)
        found.append(characteristic)
        if picture is not None:
            from panels.release.picture import draw_characteristic

            draw_characteristic(characteristic, rule, picture)
    if as_json:
        rules = [one.model_dump(mode="json") for one in found]
        write_json({"schema": "panels.operating-characteristics", "version": 1, "rules": rules})
        return
    for rule, characteristic in zip(chosen, found, strict=True):
        _print_characteristic(characteristic, rule)


@app.command("check")
def check(folder: FolderArgument, *, liquid: LiquidOption = None) -> None:
    """Simulate stored risks again, all of them, and refuse those that do not come out the same.

    Example: panels rule check scenarios/vejkalna --liquid VK-DRY
    """
    from panels.release.characteristic import check_characteristic
    from panels.release.files import read_characteristic, read_rules

    panel = panel_folder(folder)
    for rule in _chosen(read_rules(panel / "rules.yaml"), liquid):
        stored = read_characteristic(panel, rule)
        if stored is None:
            raise InputError(
                Fault("", 0, rule.name, "has no stored risks", "Compute them: panels rule risks.")
            )
        check_characteristic(rule, stored, whole=True)
        sys.stdout.write(f"The risks of {rule.name} come out again.\n")


@app.command("size")
def size(
    folder: FolderArgument,
    *,
    liquid: Annotated[str, typer.Option("--liquid", help="The liquid whose rule is the pattern.")],
    bad: Annotated[float, typer.Option("--bad", help="True mean of a lot that must not pass.")],
    risk_if_bad: Annotated[
        float, typer.Option("--risk-if-bad", help="It may be released this often at most.")
    ] = 0.05,
    good: Annotated[float, typer.Option("--good", help="True mean of a lot that should pass.")],
    risk_if_good: Annotated[
        float, typer.Option("--risk-if-good", help="It may be stopped this often at most.")
    ] = 0.1,
    standard_error: ErrorOption = 0.02,
    seed: SeedOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Find how many assessors, and which limit, keep two risks.

    Example: panels rule size scenarios/vejkalna --liquid VK-DRY --bad 6 --good 7.25
    """
    from panels.release.characteristic import panel_size
    from panels.release.files import read_rules

    rule = _chosen(read_rules(panel_folder(folder) / "rules.yaml"), liquid)[-1]
    with _progress("sittings simulated", None) as progress:
        found = panel_size(
            rule,
            bad_quality=bad,
            risk_if_bad=risk_if_bad,
            good_quality=good,
            risk_if_good=risk_if_good,
            seed=seed,
            standard_error=standard_error,
            progress=progress,
        )
    if as_json:
        write_json({"schema": "panels.panel-size", "version": 1, **plain_data(found)})
        return
    table = plain_table(
        {
            "assessors": "right",
            "limit that keeps the first risk": "right",
            "good lots released": "right",
        },
        [[str(n), f"{limit:.2f}", f"{share:.1%}"] for n, limit, share in found.tried],
    )
    result_console().print(table)
    if found.assessors is None or found.limit is None:
        sys.stdout.write("No panel tried keeps both risks; move the qualities further apart.\n")
        return
    sys.stdout.write(
        f"{found.assessors} assessors with a limit of {found.limit:.2f}: lots at {bad:g} released"
        f" {found.release_if_bad:.1%}, lots at {good:g} released {found.release_if_good:.1%}"
        f" (standard error {standard_error:g} at most).\n"
    )


@app.command("declare")
def declare(
    folder: FolderArgument,
    *,
    liquid: LiquidOption = None,
    database: DatabaseOption = None,
    name: AsOption = None,
) -> None:
    """Declare the rules in panel/rules.yaml that are not in the register yet, with their risks.

    Example: panels rule declare scenarios/vejkalna
    """
    from panels.release.files import read_rules

    rules = _chosen(read_rules(panel_folder(folder) / "rules.yaml"), liquid)
    risks = known_risks(folder, database, rules)
    with writing_panels(folder, database, name) as session:
        made = declare_missing(session, rules, risks)
    for rule in made:
        sys.stdout.write(f"Declared {rule.name}, fingerprint {rule.fingerprint[:16]}.\n")
    if not made:
        sys.stdout.write("Every rule is declared already.\n")


@app.command("show")
def show(
    folder: FolderArgument,
    *,
    liquid: LiquidOption = None,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show declared rules in words, with every version and its risks.

    Example: panels rule show scenarios/vejkalna --liquid VK-DRY
    """
    from panels.release.register import declared_rules, liquids_with_rules
    from panels.release.words import rule_lines

    with reading_panels(folder, database) as session:
        liquids = [liquid] if liquid else liquids_with_rules(session)
        found = [one for name in liquids for one in declared_rules(session, name)]
    if as_json:
        write_json(
            {
                "schema": "panels.rules",
                "version": 1,
                "rules": [
                    {
                        "record": one.record,
                        "fingerprint": one.rule.fingerprint,
                        "rule": one.rule.model_dump(mode="json"),
                        "characteristic": one.characteristic.model_dump(mode="json"),
                    }
                    for one in found
                ],
            }
        )
        return
    if not found:
        sys.stdout.write("No rule is declared.\n")
    for one in found:
        rule = one.rule
        console = result_console()
        console.print(
            f"{rule.name}, declared {rule.declared} by {rule.declared_by} (record {one.record},"
            f" fingerprint {rule.fingerprint[:16]})"
        )
        for line in rule_lines(rule):
            console.print(f"- {line}")
        _print_characteristic(one.characteristic, rule)


def known_risks(
    folder: Path, database: str | None, rules: list[ReleaseRule], *, dry_run: bool = False
) -> dict[str, Characteristic]:
    """Return the characteristic of every rule still to be declared, by its name.

    Called before the register is opened for writing, since computing one that is not stored
    takes its time.

    Raises
    ------
    InputError : a declared version was changed in the file.
    """
    from panels.release.files import read_characteristic, write_characteristic

    panel = panel_folder(folder)
    found = {}
    for rule in _undeclared(folder, database, rules, dry_run=dry_run):
        stored = read_characteristic(panel, rule)
        if stored is None:
            sys.stderr.write(f"Computing the risks of {rule.name}, which are not stored.\n")
            stored = _computed(rule, seed=1, standard_error=0.01)
            write_characteristic(panel, rule, stored)
        found[rule.name] = stored
    return found


def _undeclared(
    folder: Path, database: str | None, rules: list[ReleaseRule], *, dry_run: bool
) -> list[ReleaseRule]:
    from bulkflow.records import settings_for
    from panels.release.register import declared_rules

    if dry_run and not settings_for(folder, database).exists:
        return rules
    missing = []
    with reading_panels(folder, database, create=not dry_run) as session:
        for rule in rules:
            standing = {r.rule.version: r.rule for r in declared_rules(session, rule.liquid)}
            if rule.version in standing:
                _check_unchanged(rule, standing[rule.version])
            else:
                missing.append(rule)
    return missing


def declare_missing(
    session: Session, rules: list[ReleaseRule], risks: dict[str, Characteristic]
) -> list[ReleaseRule]:
    """Declare rules that the register does not hold yet, with the risks found beforehand.

    Raises
    ------
    InputError : a next version would overtake a decision that is still to be taken.
    """
    from panels.release.register import declare_rule, declared_rules
    from panels.sittings.deciding import waiting_decisions

    made = []
    for rule in sorted(rules, key=lambda rule: (rule.liquid, rule.version)):
        standing = {one.rule.version: one.rule for one in declared_rules(session, rule.liquid)}
        if rule.version in standing:
            continue
        waiting = waiting_decisions(session, rule.liquid)
        if waiting:
            raise InputError(
                Fault(
                    "rules.yaml",
                    0,
                    rule.name,
                    f"would overtake {waiting[0]}, which is not decided",
                    "Decide it under the rule it stands on, then declare the next version.",
                )
            )
        declare_rule(session, rule, risks[rule.name])
        made.append(rule)
    return made


def _check_unchanged(rule: ReleaseRule, declared: ReleaseRule) -> None:
    if declared.fingerprint != rule.fingerprint:
        raise InputError(
            Fault(
                "rules.yaml",
                0,
                rule.name,
                "differs from the version declared",
                "A declared rule is never changed: give the next version.",
            )
        )


def _chosen(rules: list[ReleaseRule], liquid: str | None) -> list[ReleaseRule]:
    from bulkflow.reading.words import did_you_mean

    chosen = [rule for rule in rules if liquid in (None, rule.liquid)]
    if not chosen:
        known = sorted({rule.liquid for rule in rules})
        raise InputError(
            Fault(
                "rules.yaml",
                0,
                "--liquid",
                f"{liquid} has no rule",
                did_you_mean(liquid or "", known),
            )
        )
    return chosen


def _computed(rule: ReleaseRule, *, seed: int, standard_error: float) -> Characteristic:
    from panels.release.characteristic import (
        NOTICING_SHARES,
        draws_for,
        operating_characteristic,
        quality_grid,
    )

    total = draws_for(standard_error) * (len(quality_grid(rule)) + len(NOTICING_SHARES))
    with _progress(f"{rule.name}: lots simulated", total) as progress:
        return operating_characteristic(
            rule, seed=seed, standard_error=standard_error, progress=progress
        )


@contextmanager
def _progress(what: str, total: int | None) -> Iterator[Progress]:
    """Show progress on stderr, at a terminal only."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    console = message_console()
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=console, disable=not console.is_terminal) as bar:
        task = bar.add_task(what, total=total)
        yield lambda done: bar.advance(task, done)


def _chance(chance: float, point: CharacteristicPoint) -> str:
    """Say a chance; where none or all came out so, its 95 % bound."""
    if chance in (0.0, 1.0):
        bound = 3.0 / point.draws  # the rule of three
        return f"<{bound:.1%}" if chance == 0.0 else f">{1.0 - bound:.1%}"
    return f"{chance:.1%}"


CURVE_WIDTH = 30


def _print_characteristic(found: Characteristic, rule: ReleaseRule) -> None:
    """Print chances as numbers and as bars: # released, . held, x rejected."""
    from panels.errors import RangeError
    from panels.release.characteristic import limits_of_rule, quarter_risk

    headings = {
        "": "right",
        "release": "right",
        "hold": "right",
        "reject": "right",
        "# release . hold x reject": "left",
    }
    console = result_console()
    console.print(
        f"Risks of {found.rule}: {found.draws} lots simulated at each point, with retests and"
        f" confirmations; standard error {found.standard_error:g} at most. Below and above are 95 %"
        " bounds where none or all came out so; > marks a limit."
    )
    limits = limits_of_rule(rule)
    for axis, words in (
        ("quality", "true mean of the lot"),
        ("noticing share", "share who notice a taint"),
    ):
        rows = [
            [
                f"{'>' if axis == 'quality' and point.value in limits else ''}{point.value:g}",
                *(_chance(chance, point) for chance in (point.release, point.hold, point.reject)),
                _bar(point),
            ]
            for point in found.points
            if point.axis == axis
        ]
        console.print(f"By {words}")
        console.print(plain_table(headings, rows))
    try:
        quarter = quarter_risk(rule, found)
    except RangeError:  # declared before characteristics said it
        return
    console.print(
        f"Of {quarter.lots} lots in a quarter, {quarter.released:.1f} are released,"
        f" {quarter.held:.1f} held and {quarter.rejected:.1f} rejected, in {quarter.sittings:.0f}"
        f" places at sittings; of its {quarter.bad} bad ones {quarter.bad_released:.2f} are"
        " released on average, and the chance that any is released is no larger."
    )


def _bar(point: CharacteristicPoint) -> str:
    released = round(CURVE_WIDTH * point.release)
    rejected = min(CURVE_WIDTH - released, round(CURVE_WIDTH * point.reject))
    return "#" * released + "." * (CURVE_WIDTH - released - rejected) + "x" * rejected
