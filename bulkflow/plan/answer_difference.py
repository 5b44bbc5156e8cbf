"""The difference of two plans in the terminal, in 80 columns."""

from __future__ import annotations

from datetime import date

from rich.console import Console
from rich.table import Table
from rich.text import Text

from bulkflow.plan.answer import ALARM, GOOD, HEADING, WARNING, day_words, plain_table
from bulkflow.plan.compare import LoadChange, PlanDifference
from bulkflow.wording import amount

__all__ = ["print_difference"]

STYLES = {"added": GOOD, "dropped": ALARM, "moved": WARNING, "amount": ""}


def print_difference(difference: PlanDifference, console: Console) -> None:
    """Print what changed from one plan to another."""
    if difference.begins_later:
        console.print(
            f"Loads and shortages are compared from {difference.begins_after} on. Costs are of each"
            f" plan's own horizon: the earlier one began on {difference.begins_before}.\n"
        )
    for title, sentence in (("Before", difference.before), ("After", difference.after)):
        console.print(Text(title, style=HEADING))
        console.print(sentence)
        console.print()
    console.print(Text("Loads", style=HEADING))
    counts = {kind: sum(one.change == kind for one in difference.loads) for kind in STYLES}
    console.print(
        f"{difference.kept_loads} kept on their day, {counts['added']} added,"
        f" {counts['dropped']} dropped, {counts['moved']} moved;"
        f" {counts['amount']} of those kept have another amount."
    )
    if difference.loads:
        console.print(_loads(difference))
    if difference.shortages:
        console.print()
        console.print(Text("Short (LPA open or lost)", style=HEADING))
        console.print(_shortages(difference))
    console.print()
    console.print(Text(f"Cost over the horizon ({difference.currency})", style=HEADING))
    console.print(_costs(difference))


def _loads(difference: PlanDifference) -> Table:
    table = plain_table("change", "lane", "tank", "liquid", "was", "is", "LPA",
                        right=("was", "is", "LPA"))  # fmt: skip
    for one in difference.loads:
        table.add_row(
            Text(one.change, style=STYLES[one.change]),
            one.lane,
            one.tank_type,
            one.liquids,
            _day(one.day_before),
            _day(one.day_after),
            _lpa(one),
        )
    return table


def _day(day: date | None) -> str:
    return day_words(day) if day is not None else "-"


def _lpa(change: LoadChange) -> str:
    if change.change == "amount":
        return f"{amount(change.lpa_before)} to {amount(change.lpa_after)}"
    return amount(change.lpa_after or change.lpa_before)


def _shortages(difference: PlanDifference) -> Table:
    table = plain_table("period of", "site", "liquid", "priority", "was", "is",
                        right=("period of", "was", "is"))  # fmt: skip
    for one in difference.shortages:
        table.add_row(
            day_words(one.period_start), one.site, one.liquid, one.priority,
            amount(one.before_lpa), amount(one.after_lpa),
        )  # fmt: skip
    return table


def _costs(difference: PlanDifference) -> Table:
    table = plain_table("part", "was", "is", "change", right=("was", "is", "change"))
    for part, (was, now) in difference.costs.items():
        if was or now:
            table.add_row(part, amount(was), amount(now), f"{now - was:+,.0f}")
    return table
