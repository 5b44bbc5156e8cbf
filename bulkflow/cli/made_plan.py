"""A plan that was just made: kept first, then shown, with all that is done beside it."""

from __future__ import annotations

import shlex
import time
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from bulkflow.cli.extras import Extras
from bulkflow.cli.shell import message_console, result_console, write_json
from bulkflow.wording import counted

if TYPE_CHECKING:
    from rich.console import Console

    from bulkflow.cli.progress import Stoppable
    from bulkflow.core.options import SolveOptions
    from bulkflow.plan.next_steps import Whereabouts
    from bulkflow.plan.result import PlanResult
    from bulkflow.report.lots_in_loads import LotsInLoads
    from bulkflow.scenario.reader import Workspace

__all__ = ["MadePlan", "TimeAllowed"]

# Of the time for everything, what the first search may take where gates are to be priced after.
SEARCH_SHARE = 0.75
MOST_NEWS = 4  # told of what the register learned, unless all changes are asked for
LEAST_SECONDS = 0.5  # for planning once more without a gate
# Kept back for putting lots into loads and drawing the report: as they take on the demo, idle.
AFTER_SECONDS = 6.0
AFTER_SHARE = 0.2


class TimeAllowed:
    """What is left of the time asked for everything; None for no limit."""

    def __init__(self, seconds: float | None) -> None:
        self._seconds, self._begun = seconds, time.monotonic()
        self._after = min(AFTER_SECONDS, AFTER_SHARE * (seconds or 0.0))

    def used(self) -> float:
        """Return the seconds used so far."""
        return time.monotonic() - self._begun

    def left(self) -> float | None:
        """Return the seconds left for searches, at least a moment."""
        if self._seconds is None:
            return None
        return max(LEAST_SECONDS, self._seconds - self._after - self.used())

    def for_extras(self) -> float | None:
        """Return the seconds left for what follows the searches: half of those kept back, or more.

        Reasons of shortages and lots in loads.
        """
        left = self.left()
        return left if left is None else max(left, self._after / 2)

    def for_search(self, *, gates: bool) -> float | None:
        """Return the seconds for the first search."""
        left = self.left()
        return left * SEARCH_SHARE if left is not None and gates else left


@dataclass
class MadePlan:
    """A plan that is made and checked, and what is done beside it.

    The plan is kept as soon as it is there; nothing after that can lose it.
    """

    workspace: Workspace
    result: PlanResult
    earlier: PlanResult | None
    where: Whereabouts
    clock: TimeAllowed
    search: Stoppable
    database: str | None
    extras: Extras = field(default_factory=Extras)
    beside: LotsInLoads | None = None
    unkept: Exception | None = None
    files: int = 0

    def keep(self, out: Path) -> None:
        """Write the plan and its tables; where that fails, keep it where files can be."""
        from bulkflow.cli.progress import undisturbed
        from bulkflow.plan.write import rescue_plan, write_plan

        begun = self.clock.used()
        self.extras.kept = f"The plan is kept in {out}."
        try:
            with undisturbed():
                self.files = len(write_plan(self.result, out))
        except KeyboardInterrupt:  # heard once all was written: stop with what there is
            self.search.interrupted = True
        except Exception as error:
            self.unkept, self.extras.kept = error, ""
            with suppress(Exception):
                saved = rescue_plan(self.result)
                words = f"The plan could not be written to {out}: it is kept in {saved}."
                message_console().print(words, soft_wrap=True)
        self.extras.seconds["tables"] = self.clock.used() - begun

    def keep_again(self, out: Path) -> None:
        """Write the plan once more, with what was found out since."""
        from bulkflow.cli.progress import undisturbed
        from bulkflow.plan.write import write_plan

        def write() -> None:
            with undisturbed():
                write_plan(self.result, out)

        if self.unkept is None:
            self.extras.attempt(
                write,
                name="tables",
                failing=f"What was found out beside the plan was not added in {out}",
                way_out=self.extras.kept,
            )

    def price(self, options: SolveOptions) -> None:
        """Add what the gates of lots cost."""
        from bulkflow.plan.make import price_holds

        if not self.result.holds:
            return
        again = _share_of_time(replace(options, seconds=self.clock.left()), self.result)
        self.result = (
            self.extras.attempt(
                lambda: self.search.run(
                    lambda report, stop: price_holds(
                        self.workspace.scenario, self.result, again, on_progress=report, stop=stop
                    ),
                    label="pricing holds",
                ),
                name="holds",
                failing="What holds cost is not known",
                way_out=f"The plan stands; leave it out with --no-price-holds. {self.extras.kept}",
            )
            or self.result
        )

    def explain(self) -> None:
        """Add reasons for bad shortages."""
        from bulkflow.plan.make import explained

        self.result = (
            self.extras.attempt(
                lambda: self.search.run(
                    lambda _report, _stop: explained(
                        self.workspace.scenario,
                        self.result,
                        seconds=self.clock.for_extras(),
                        sources=self.workspace.sources,
                    ),
                    label="explaining shortages",
                ),
                name="reasons",
                failing="Why demand is short is not known",
                way_out=f"The plan stands; leave it out with --no-explain. {self.extras.kept}",
            )
            or self.result
        )

    def show(self, *, as_json: bool, show: frozenset[str] = frozenset()) -> None:
        """Print the answer, what changed since an earlier plan, and the sentence, last.

        Parameters
        ----------
        show : parts of the answer asked for by name.
        """
        from bulkflow.plan.answer import ALL_PARTS, print_answer, print_verdict
        from bulkflow.plan.document import to_document

        def answer() -> None:
            if as_json:
                write_json(to_document(self.result))
                return
            print_answer(
                self.result,
                self.workspace.scenario,
                result_console(),
                show,
                more_follows=self.earlier is not None,
            )

        self.extras.attempt(
            answer, name="answer", failing="The answer was not shown", way_out=self.extras.kept
        )
        earlier = self.earlier
        if earlier is not None and not as_json:
            self.extras.attempt(
                lambda: _print_changes(
                    earlier,
                    self.result,
                    result_console(),
                    self.workspace,
                    self.database,
                    whole=bool(show & {"changes", ALL_PARTS}),
                ),
                name="answer",
                failing="What changed was not shown",
                way_out="See it with bulkflow compare.",
            )
        if not as_json:
            self.extras.attempt(
                lambda: print_verdict(self.result, result_console()),
                name="answer",
                failing="The state of the quarter was not shown",
                way_out=self.extras.kept,
            )

    def fill(self) -> None:
        """Look which lots fill the loads, and add which loads none can fill."""
        from bulkflow.cli.report import lots_beside

        self.beside = self.extras.attempt(
            lambda: lots_beside(
                self.result, self.workspace, self.database, self.clock.for_extras()
            ),
            name="lots in loads",
            failing="Which lots fill the loads is not known",
            way_out=self.extras.kept,
        )
        if self.beside is not None:
            self.result = self.beside.told_to(self.result)

    def write_extras(self, out: Path) -> None:
        """Write report and workbook beside the tables."""
        from bulkflow.cli.report import week_beside, write_report
        from bulkflow.plan.compare import compare_plans
        from bulkflow.plan.write import REPORT_FILE, WORKBOOK_FILE, write_companion
        from bulkflow.report.workbook import write_workbook

        week = self.extras.attempt(
            lambda: week_beside(self.result, self.workspace, self.database, self.where),
            name="week",
            failing="The report has no list of the week",
            way_out="See it with bulkflow due.",
        )

        def report(file: Path) -> None:
            since = compare_plans(self.earlier, self.result) if self.earlier is not None else None
            write_report(
                file, self.result, self.workspace, since=since, beside=self.beside,
                where=self.where, week=week,
            )  # fmt: skip

        def workbook(file: Path) -> None:
            write_workbook(
                self.result, self.workspace.scenario, file, beside=self.beside, week=week
            )

        again = f"bulkflow report {shlex.quote(self.where.folder)} {shlex.quote(str(out))}"
        for name, what, write in (
            (REPORT_FILE, "report", report),
            (WORKBOOK_FILE, "workbook", workbook),
        ):
            file = self.extras.attempt(
                partial(write_companion, out, name, write),
                name=what,
                failing=f"The {what} was not written",
                way_out=f"{self.extras.kept} Try again: {again} --out FILE{Path(name).suffix}",
            )
            self.files += file is not None

    def words(self, out: Path | None, seconds: float | None) -> str:
        """Return what was written, and how long everything took."""
        wrote = (
            f"Wrote {counted(self.files, 'file')} to {out}. "
            if out is not None and self.files
            else ""
        )
        took = ", ".join(f"{name} {used:.1f}" for name, used in self.extras.seconds.items())
        asked = f" of {seconds:g}" if seconds is not None else ""
        return f"{wrote}Took {self.clock.used():.1f}{asked} s: {took}."

    def show_next(self) -> None:
        """Print what comes next, as commands."""
        from bulkflow.plan.answer import print_next_steps
        from bulkflow.plan.next_steps import next_steps

        def steps() -> None:
            loads = self.beside.soonest(self.result.plan) if self.beside else ()
            print_next_steps(next_steps(self.result, self.where, loads=loads), result_console())

        self.extras.attempt(steps, name="answer", failing="What comes next was not shown")

    def raise_for_failures(self) -> None:
        """Raise where the plan could not be written where it should, or an extra failed."""
        if self.unkept is not None:
            raise self.unkept
        self.extras.raise_for_failures()


def _print_changes(
    earlier: PlanResult,
    result: PlanResult,
    console: Console,
    workspace: Workspace,
    database: str | None,
    *,
    whole: bool,
) -> None:
    from bulkflow.account.changes import news_since
    from bulkflow.plan.answer_difference import print_difference, print_difference_in_short
    from bulkflow.plan.compare import compare_plans

    console.rule("What changed since the earlier plan", style="", align="left", characters="=")
    news = news_since(workspace.folder, database, earlier) if result.register else ()
    if news:
        console.print("Why: what the register learned since then")
        shown = news if whole else news[:MOST_NEWS]
        for words in shown:
            console.print(f"  {words}")
        if len(shown) < len(news):
            console.print(f"  and {counted(len(news) - len(shown), 'thing')} more (--show changes)")
    difference = compare_plans(earlier, result)
    if whole:
        print_difference(difference, console)
    else:
        print_difference_in_short(difference, console)
    console.print()


def _share_of_time(options: SolveOptions, result: PlanResult) -> SolveOptions:
    """Return options that share the time among the plans made to price the gates."""
    if options.seconds is None:
        return options
    plans = sum(2 if hold.status == "awaiting" else 1 for hold in result.holds)
    return replace(options, seconds=max(LEAST_SECONDS, options.seconds / plans))
