"""``panels booth``: assessors score in a browser, on the same register as every command."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from bulkflow.cli.register_options import AsOption, DatabaseOption
from bulkflow.cli.shell import FolderArgument
from bulkflow.errors import Fault, InputError
from panels.cli.register import writing_panels

__all__ = ["booth"]


def booth(
    folder: FolderArgument,
    *,
    also: Annotated[
        list[str] | None,
        typer.Option("--also", metavar="NAME", help="Who else may lead; give each one."),
    ] = None,
    pause: Annotated[
        int, typer.Option("--pause", metavar="SECONDS", help="From an answer to the next serving.")
    ] = 60,
    rehearsal: Annotated[
        bool, typer.Option("--rehearsal", help="Serve on another day than the sitting's.")
    ] = False,
    host: Annotated[
        str, typer.Option("--host", help="Address of this machine to listen on.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", help="0 takes a free one.")] = 8020,
    public: Annotated[
        str | None,
        typer.Option("--public", metavar="https://NAME", help="What browsers call it."),
    ] = None,
    database: DatabaseOption = None,
    name: AsOption = None,
) -> None:
    """Serve sittings in a browser until interrupted: assessors nose and answer, leaders lead.

    Leaders sign in at /lead with the code printed beside their name; they plan, pour, give
    assessors their personal codes, close and decide. Only this machine can reach it unless
    --host says otherwise.

    Example: panels booth scenarios/vejkalna --as "Ilze Ozola"
    """
    try:
        from bulkflow.web.door import draw_code
        from bulkflow.web.serving import Address, serve
        from panels.booth.app import make_booth
        from panels.booth.desk import Desk
    except ModuleNotFoundError as error:
        found = f"needs {error.name}, which is not installed"
        mend = "Install the extra: pip install '.[booth]', where this program came from."
        raise InputError(Fault("", 0, "panels booth", found, mend)) from error
    from datetime import timedelta

    from bulkflow.lots.register import open_register
    from bulkflow.records import Actor, Power, require, settings_for
    from panels.records import PANELS

    if not 0 <= pause <= 3600:
        raise InputError(Fault("", 0, "--pause", f"is {pause}", "Give 0 to 3600 seconds."))
    address = Address(host, port, public)
    with writing_panels(folder, database, name) as session:
        require(session, Power.RECORD, "serve sittings in a booth")
    actor = Actor.current(name)
    leaders = {
        code: Actor.current(person).name
        for person in (actor.name, *(also or ()))
        for code in [draw_code()]
    }

    def said(where: str) -> None:
        for line in (
            address.caution,
            f"Assessors: {where}",
            *(f"{person} leads at {where}/lead with the code {c}" for c, person in leaders.items()),
            "End it with Ctrl-C; it goes on where it was when started again.",
        ):
            sys.stdout.write(f"{line}\n" if line else "")
        sys.stdout.flush()

    with open_register(settings_for(folder, database), PANELS, actor=actor) as store:
        desk = Desk(store, actor, pause=timedelta(seconds=pause), rehearsal=rehearsal)
        serve(
            make_booth(desk, folder, address, {person: code for code, person in leaders.items()}),
            address,
            said,
        )
