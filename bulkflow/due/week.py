"""The week's list put together, and its order."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path, PurePath

from sqlalchemy.orm import Session

from bulkflow.account.beginning import has_begun
from bulkflow.account.changes import news_in
from bulkflow.account.tables import ACCOUNT
from bulkflow.due.asking import FAR, Asking
from bulkflow.due.loads import load_lines, movement_lines
from bulkflow.due.lots import lot_lines, panel_lines, steps_by_lot
from bulkflow.due.planned import plan_lines
from bulkflow.loads.queries import loads_in
from bulkflow.loads.tables import LOADS
from bulkflow.lots.panel_facts import panel_facts
from bulkflow.lots.register import open_register
from bulkflow.lots.seeds import has_lots
from bulkflow.plan.next_steps import Whereabouts
from bulkflow.plan.result import PlanResult
from bulkflow.plan.week import DAYS_AHEAD, Due, DueKind, Week
from bulkflow.records.settings import settings_for
from bulkflow.scenario.model import Scenario
from bulkflow.wording import counted

__all__ = ["week_in", "week_of_workspace"]

NO_PLAN = (
    "Without a plan (--plan PLAN) nothing is said of purchases to call off, of stock, tanks and"
    " guarantees ahead, or of what a lot's decision is worth."
)
NO_ACCOUNT = "The account is not begun, so stock and loads under way in the tables are not known"
NO_REGISTER = (
    "There is no register yet, so nothing is known of lots, loads, arrivals and the panel: the"
    " first plan begins it."
)


def week_of_workspace(
    scenario: Scenario,
    folder: Path,
    on: date,
    *,
    plan: PlanResult | None = None,
    where: Whereabouts,
    database: str | None = None,
) -> Week:
    """Return what has to be done in the week from a day on; reads only.

    Parameters
    ----------
    scenario : the workspace, as its files say it (or as it was planned).
    plan : the plan at hand, if there is one.
    where : how the user names workspace, plan and register, for commands to copy.
    database : the register's address, where the user named one.

    Raises
    ------
    DatabaseError
        The register is there and cannot be opened.
    """
    asking = Asking(scenario, on, plan, where)
    settings = settings_for(folder, database)
    if not settings.exists:
        return week_in(None, asking)
    with (
        open_register(settings, LOADS, ACCOUNT, create=False) as store,
        store.read() as session,
    ):
        return week_in(session if has_lots(session) else None, asking)


def week_in(session: Session | None, asking: Asking) -> Week:
    """Return the same from an open register; None where there is none."""
    lines = sorted(_lines(session, asking), key=_order)
    unseen = []
    if session is None:
        unseen.append(NO_REGISTER)
    elif not has_begun(session):
        unseen.append(f"{NO_ACCOUNT}: {asking.bulkflow('account begin')}")
    if asking.plan is None:
        unseen.append(NO_PLAN)
    scenario = asking.scenario
    return Week(scenario.name, scenario.currency, asking.on, tuple(lines), tuple(unseen))


def _lines(session: Session | None, asking: Asking) -> Iterator[Due]:
    known: set[str] = set()
    if session is not None:
        panel, loads = panel_facts(session), loads_in(session)
        known = {one.load_id for one in loads}
        yield from lot_lines(session, asking, panel, loads)
        yield from load_lines(session, asking, loads, steps_by_lot(session, asking, panel))
        yield from movement_lines(session, asking, loads)
        yield from panel_lines(session, asking, panel)
    if asking.plan is not None:
        # Without a register nothing can be filled from lots yet.
        yield from plan_lines(asking, asking.plan, known if session else _all_of(asking.plan))
    yield from _plan_itself(session, asking)


def _all_of(plan: PlanResult) -> set[str]:
    return {one.load_id for one in plan.plan.loads}


def _plan_itself(session: Session | None, asking: Asking) -> Iterator[Due]:
    """Yield that there is no plan, or that the register knows more than the plan at hand."""
    start = asking.scenario.calendar.start
    if asking.plan is None:
        if session is None:
            name = f"plans/{PurePath(asking.where.folder).name or 'plan'}"
            yield asking.line(
                DueKind.PLAN,
                "Plan the quarter: there is no plan yet",
                "plan",
                asking.bulkflow("plan", "--out", name),
                by=start,
                lpa=sum(row.lpa or 0.0 for row in asking.scenario.demand),
            )
        return
    news = () if session is None else news_in(session, asking.plan)
    if news:
        more = f", and {counted(len(news) - 1, 'thing')} more" if len(news) > 1 else ""
        yield asking.line(
            DueKind.PLAN,
            f"Plan again: since this plan was made, {news[0].rstrip('.')}{more}",
            "plan",
            asking.bulkflow("plan", "--since", asking.where.out),
        )


def _order(line: Due) -> tuple[object, ...]:
    """Sort what is late first, then the week, then what is ahead; in each the most LPA first.

    A lot without a day is of this week: nothing is planned with it until somebody decides.
    """
    days = FAR if line.days is None else line.days
    if line.kind is DueKind.LOT:
        days = min(days, DAYS_AHEAD)
    rank = 0 if line.late else 1 if days <= DAYS_AHEAD else 2
    return rank, -round(line.holds_up_lpa), days, -(line.money or 0.0), line.kind, line.subject
