"""``bulkflow rules``: which facts of law and trade apply to a workspace on a day."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from bulkflow.cli.shell import FolderArgument, JsonOption, result_console, write_json

if TYPE_CHECKING:
    from bulkflow.scenario import Scenario

__all__ = ["mount"]

RULES_SCHEMA = "bulkflow-rules/1"

SiteOption = Annotated[str | None, typer.Option(metavar="SITE", help="Of this site alone.")]
MarketOption = Annotated[str | None, typer.Option(metavar="MARKET", help="Of this market alone.")]
OnOption = Annotated[
    str | None,
    typer.Option(
        "--on", metavar="DAY", help="In force on this day (default: the plan's first day)."
    ),
]
AboutOption = Annotated[
    str | None,
    typer.Option(metavar="WORDS", help="Only rules with these words in id, kind, title or text."),
]


def mount(app: typer.Typer) -> None:
    """Add the command of this module to an app."""
    app.command(no_args_is_help=True)(rules)


def rules(
    folder: FolderArgument,
    *,
    site: SiteOption = None,
    market: MarketOption = None,
    on: OnOption = None,
    about: AboutOption = None,
    json: JsonOption = False,
) -> None:
    """List the rules that apply to the sites and markets of a workspace, with their sources.

    Nothing here is legal advice: the authority's text in force decides.

    Example: bulkflow rules scenarios/vejkalna --market US --on 2027-04-01
    """
    from rich.text import Text

    from bulkflow.cli.register_options import day_option
    from bulkflow.plan.answer import plain_table
    from bulkflow.rules import applying, says
    from bulkflow.scenario.reader import read_workspace
    from bulkflow.wording import counted

    scenario = read_workspace(folder).scenario
    day = day_option("--on", on) or scenario.calendar.start
    places = _places(scenario, site, market)
    wanted = (about or "").casefold()
    found = [
        one
        for one in applying(places, on=day)
        if wanted in f"{one.id} {getattr(one, 'kind', '')} {one.title} {says(one)}".casefold()
    ]
    if json:
        rows = [
            {**one.model_dump(mode="json", exclude_none=True), "says": says(one)} for one in found
        ]
        write_json(
            {
                "schema": RULES_SCHEMA,
                "scenario_name": scenario.name,
                "on": day.isoformat(),
                "jurisdictions": list(places),
                "rules": rows,
            }
        )
        return
    console = result_console()
    table = plain_table("where", "what it says", "source")
    for one in found:
        said = Text.assemble((f"{one.title}. ", "bold"), says(one).rstrip("."), ".")
        if one.note:
            said.append(f" {one.note}", style="dim")
        table.add_row(one.jurisdiction, said, Text(one.citation))
    console.print(table)
    console.print(
        f"\n{counted(len(found), 'rule')} in force on {day.isoformat()} in"
        f" {', '.join(places) or 'no known country'}, and everywhere. Not legal advice: the text"
        " in force decides."
    )


def _places(scenario: Scenario, site: str | None, market: str | None) -> tuple[str, ...]:
    """Return the jurisdictions of the sites and markets that are asked for."""
    from bulkflow.scenario.jurisdictions import market_jurisdiction, site_jurisdiction

    sites = {one.id: site_jurisdiction(one) for one in scenario.sites}
    markets = {one.id: market_jurisdiction(scenario, one) for one in scenario.markets}
    if site is None and market is None:
        found = [*sites.values(), *markets.values()]
    else:
        found = []
        for option, given, known in (("--site", site, sites), ("--market", market, markets)):
            if given is not None:
                found.append(_one(option, given, known))
    return tuple(dict.fromkeys(place for place in found if place is not None))


def _one(option: str, given: str, known: dict[str, str | None]) -> str:
    from bulkflow.errors import Fault, InputError
    from bulkflow.reading.words import did_you_mean

    if given not in known:
        mend = did_you_mean(given, list(known), f"Give one of {', '.join(known) or 'none'}.")
        raise InputError(Fault("", 0, option, f"is {given!r}, which is not there", mend))
    place = known[given]
    if place is None:
        mend = "Give it a country in scenario.yaml."
        raise InputError(Fault("", 0, option, f"is {given}, whose country is not known", mend))
    return place
