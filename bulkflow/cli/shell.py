"""What every command shares: exit codes, the one error wrapper, consoles, JSON output.

Results go to stdout, everything else to stderr. A command body parses, calls the library and
renders; it raises the errors of ``bulkflow.errors`` and leaves to ``run`` how they are shown.
Nothing heavy is imported here, so that ``--help`` stays quick.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import traceback
from collections.abc import Mapping, Sequence
from contextlib import suppress
from enum import IntEnum
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, NoReturn

import typer
from typer.core import TyperGroup

from bulkflow.errors import (
    BulkflowError,
    Fault,
    InputError,
    NoneFoundError,
    OutOfRangeError,
    PlanningError,
    RecordsError,
    SolverError,
    VerificationError,
)

if TYPE_CHECKING:
    from rich.console import Console

__all__ = [
    "EXIT_CODES_HELP",
    "PLAN_HELP",
    "DebugOption",
    "ExitCode",
    "ExtrasFailedError",
    "FolderArgument",
    "InterruptedSearchError",
    "JsonOption",
    "PlanArgument",
    "SectionedGroup",
    "VersionOption",
    "exit_code_of",
    "leave",
    "make_app",
    "message_console",
    "reader_went_away",
    "result_console",
    "run",
    "write_json",
]

DISTRIBUTION = "bulkflow"  # both programs are of it
WIDTH = 80  # columns when nobody says how wide the page is
WIDEST = 110  # columns beyond which tables are no easier to read


class InterruptedSearchError(BulkflowError):
    """A search was interrupted before it had an answer to show."""


class ExtrasFailedError(BulkflowError):
    """What was asked for is done and kept, but something beside it failed.

    Parameters
    ----------
    failures : each in a line: what failed, why, and the way out.
    causes : the errors behind them.
    """

    def __init__(self, failures: Sequence[str], causes: Sequence[Exception]) -> None:
        self.causes = tuple(causes)
        super().__init__("\n".join(failures))


class ExitCode(IntEnum):
    """What the exit code of a command means."""

    DONE = 0
    FAULT = 1
    BAD_INPUT = 2
    NO_PLAN = 3
    EXTRA_FAILED = 4
    NONE_FOUND = 5
    INTERRUPTED = 130


EXIT_CODES_HELP = (
    "Exit codes: 0 done (a plan with a gap still open counts as done, and shows its gap);"
    " 1 unexpected fault; 2 wrong usage or bad input; 3 no plan can exist, a check failed, or a"
    " gate says no; 4 done and kept, but something beside it failed and is named; 5 none was found"
    " in the time allowed, though there may be one; 130 interrupted (the best plan so far is kept)."
)

FolderArgument = Annotated[
    Path,
    typer.Argument(metavar="FOLDER", help="The workspace: the folder that holds scenario.yaml."),
]
PLAN_HELP = "A plan.json, or the folder that holds one."
PlanArgument = Annotated[Path, typer.Argument(metavar="PLAN", help=PLAN_HELP)]
JsonOption = Annotated[
    bool,
    typer.Option("--json", help="Print one JSON document on stdout, errors as JSON on stderr."),
]


def _tell_version(asked: bool) -> None:  # noqa: FBT001 (as the parser calls it)
    """Print the version of the distribution, and end."""
    if asked:
        from importlib.metadata import version

        typer.echo(version(DISTRIBUTION))
        raise typer.Exit


VersionOption = Annotated[
    bool,
    typer.Option(
        "--version", callback=_tell_version, is_eager=True, help="Show the version and exit."
    ),
]
DebugOption = Annotated[
    bool, typer.Option("--debug", help="Show the traceback of an error; works after any command.")
]

# What an error is called in JSON.
KINDS: Mapping[type[Exception], str] = {
    InterruptedSearchError: "interrupted",
    ExtrasFailedError: "extra",
    InputError: "input",
    OutOfRangeError: "range",
    NoneFoundError: "none_found",
    PlanningError: "planning",
    SolverError: "solver",
    VerificationError: "verification",
    RecordsError: "records",
}
# The base of all errors of usage; its own name lives in a package that differs by version.
_USAGE_ERROR: type[Exception] = typer.BadParameter.__mro__[1]


def make_app(
    help_text: str,
    *,
    name: str | None = None,
    sections: Mapping[str, Sequence[str]] | None = None,
) -> typer.Typer:
    """Return an empty command group with the settings all groups share.

    Parameters
    ----------
    sections : headings of the help with their commands, by what one is doing; those named in none
        stand at the end.
    """
    return typer.Typer(
        name=name,
        cls=type("Sectioned", (SectionedGroup,), {"sections": sections or {}}),
        help=help_text,
        no_args_is_help=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["--help", "-h"], "max_content_width": WIDTH},
    )


class SectionedGroup(TyperGroup):
    """Lists its commands under headings, in the order in which they are named there."""

    sections: ClassVar[Mapping[str, Sequence[str]]] = {}

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the headings and the commands of each."""
        shown = [name for name in self.list_commands(ctx) if not self.commands[name].hidden]
        named = {name for names in self.sections.values() for name in names}
        rest = {
            "Commands" if not self.sections else "Besides": [n for n in shown if n not in named]
        }
        room = formatter.width - 6 - max(map(len, shown), default=0)
        for heading, names in {**self.sections, **rest}.items():
            rows = [
                (name, self.commands[name].get_short_help_str(room))
                for name in names
                if name in shown
            ]
            if rows:
                with formatter.section(heading):
                    formatter.write_dl(rows)


def run(app: typer.Typer, arguments: Sequence[str] | None = None, *, name: str) -> ExitCode:
    """Run a command line and return its exit code; every error is shown here and nowhere else.

    Parameters
    ----------
    app : the assembled commands.
    arguments : words after the program's name; by default those the process was given.
    name : the program's name, for usage lines.
    """
    words = list(sys.argv[1:] if arguments is None else arguments)
    debug, as_json = "--debug" in words, "--json" in words
    words = [word for word in words if word != "--debug"]
    _never_fail_on_encoding()
    try:
        answer = _assembled(app).main(args=words, prog_name=name, standalone_mode=False)
        sys.stdout.flush()
    except BrokenPipeError:
        return reader_went_away()
    except SystemExit as left:  # the parser's own way out when the reader of a pipe has gone
        if isinstance(left.__context__, BrokenPipeError):
            return ExitCode.DONE
        raise
    except (KeyboardInterrupt, typer.Abort):
        return _show(ExitCode.INTERRUPTED, "interrupted", "Interrupted.", as_json=as_json)
    except Exception as error:
        return _show_error(error, as_json=as_json, debug=debug)
    return ExitCode(answer) if isinstance(answer, int) else ExitCode.DONE


@lru_cache(maxsize=4)
def _assembled(app: typer.Typer) -> Any:
    """Return an app's commands, ready to parse: once, for reading their options takes a while."""
    return typer.main.get_command(app)


def leave(code: ExitCode) -> NoReturn:
    """End the process; what was left to itself and still runs does not hold it back.

    That is a search given up, or a run of the solver that did not end in time: the interpreter
    would wait for the one, and crash on leaving the other.
    """
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError):
            stream.flush()
    if threading.active_count() > 1:
        os._exit(code)
    sys.exit(code)


def exit_code_of(error: BaseException) -> ExitCode:
    """Return the exit code an error leads to: the one table from errors to codes."""
    if isinstance(error, (KeyboardInterrupt, typer.Abort, InterruptedSearchError)):
        return ExitCode.INTERRUPTED
    if isinstance(error, (InputError, OutOfRangeError, _USAGE_ERROR)):
        return ExitCode.BAD_INPUT
    if isinstance(error, RecordsError):
        return _exit_code_of_records(error)
    if isinstance(error, ExtrasFailedError):
        return ExitCode.EXTRA_FAILED
    if isinstance(error, NoneFoundError):
        return ExitCode.NONE_FOUND
    if isinstance(error, PlanningError):
        return ExitCode.NO_PLAN
    return ExitCode.FAULT


def write_json(document: Mapping[str, Any]) -> None:
    """Print one JSON document on stdout; numbers that JSON does not have are refused."""
    sys.stdout.write(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def result_console() -> Console:
    """Return a console on stdout: 80 columns when piped, no colour unless at a terminal."""
    return _console(sys.stdout)


def message_console() -> Console:
    """Return a console on stderr, for progress and remarks."""
    return _console(sys.stderr)


def _console(stream: Any) -> Console:
    from rich.console import Console

    console = Console(file=stream, highlight=False, emoji=False, markup=False, soft_wrap=False)
    console.width = min(console.width, WIDEST) if console.is_terminal else _asked_width()
    return console


def _asked_width() -> int:
    asked = os.environ.get("COLUMNS", "")
    return max(int(asked), 40) if asked.isdigit() else WIDTH


def _show_error(error: Exception, *, as_json: bool, debug: bool) -> ExitCode:
    if isinstance(error, OSError) and error.filename:
        # A folder that may not be looked into, a disk that is full: wherever it was met.
        found = f"cannot be used ({error.strerror})"
        mend = "Check who may read and write it, and that there is room."
        error = InputError(Fault(str(error.filename), 0, "", found, mend))
    code = exit_code_of(error)
    known = isinstance(error, (BulkflowError, _USAGE_ERROR))
    trace = _traces(error) if debug or not known else ""
    if isinstance(error, _USAGE_ERROR):
        return _show(code, "usage", _usage_text(error), as_json=as_json, trace=trace)
    if isinstance(error, InputError):
        faults = [
            {slot: getattr(fault, slot) for slot in ("file", "line", "where", "found", "mend")}
            for fault in error.faults
        ]
        return _show(code, "input", str(error), as_json=as_json, trace=trace, faults=faults)
    if known:
        return _show(code, _kind_of(error), str(error), as_json=as_json, trace=trace)
    text = f"Unexpected fault: {type(error).__name__}: {error}"
    return _show(code, "fault", text, as_json=as_json, trace=trace)


def _traces(error: Exception) -> str:
    """Return the traceback of an error, or those of the failures it stands for."""
    causes = error.causes if isinstance(error, ExtrasFailedError) else (error,)
    return "".join("".join(traceback.format_exception(one)) for one in causes)


def _kind_of(error: Exception) -> str:
    """Return the word that stands for an error in JSON: stable, whatever its subclass."""
    return next((kind for base, kind in KINDS.items() if isinstance(error, base)), "fault")


def _usage_text(error: Exception) -> str:
    said = getattr(error, "format_message", error.__str__)()
    context = getattr(error, "ctx", None)
    if said.startswith("Usage:"):  # no arguments at all: the help itself
        return said
    hint = f"\nTry '{context.command_path} --help'." if context is not None else ""
    return f"{said}{hint}"


def _show(
    code: ExitCode,
    kind: str,
    text: str,
    *,
    as_json: bool,
    trace: str = "",
    faults: Sequence[Mapping[str, Any]] = (),
) -> ExitCode:
    if as_json:
        body: dict[str, Any] = {"kind": kind, "exit_code": int(code), "message": text}
        if faults:
            body["faults"] = list(faults)
        if trace:
            body["traceback"] = trace
        sys.stderr.write(json.dumps({"error": body}, indent=2, ensure_ascii=False) + "\n")
    else:
        sys.stderr.write(f"{trace}{text}\n")
    return code


def _exit_code_of_records(error: RecordsError) -> ExitCode:
    from bulkflow.records.errors import DatabaseError, NewerDatabaseError

    unusable = isinstance(error, (DatabaseError, NewerDatabaseError))
    return ExitCode.BAD_INPUT if unusable else ExitCode.NO_PLAN


def _never_fail_on_encoding() -> None:
    """Let a stream that cannot show a character show a stand-in rather than fail."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")


def reader_went_away() -> ExitCode:
    """End quietly when ``| head`` has read enough; the rest goes nowhere."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    return ExitCode.DONE
