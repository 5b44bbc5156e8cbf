"""The difference of two plans in the terminal, in 80 columns."""

from __future__ import annotations

from collections import Counter
from datetime import date

from rich.console import Console
from rich.table import Table
from rich.text import Text

from bulkflow.plan.answer import ALARM, GOOD, HEADING, WARNING, day_words, plain_table
from bulkflow.plan.compare import LoadChange, PlanDifference
from bulkflow.wording import amount, counted, listed, whole_parts

__all__ = ["print_difference", "print_difference_in_short"]

MOST_INPUTS = 20  # shown in the terminal
STYLES = {"added": GOOD, "dropped": ALARM, "moved": WARNING, "amount": ""}


def print_difference(difference: PlanDifference, console: Console) -> None:
    """Print what changed from one plan to another."""
    _print_days(difference, console)
    for title, sentence in (("Before", difference.before), ("After", difference.after)):
        console.print(Text(title, style=HEADING))
        console.print(sentence)
        console.print()
    console.print(Text("Loads", style=HEADING))
    console.print(f"{_load_counts(difference)}.")
    if difference.loads:
        console.print(_loads(difference))
    for title, rows, table in (
        ("Runs (charges)", difference.runs, _runs),
        ("Purchases (LPA)", difference.purchases, _purchases),
        ("Short (LPA open or lost)", difference.shortages, _shortages),
    ):
        if rows:
            console.print()
            console.print(Text(title, style=HEADING))
            console.print(table(difference))
    console.print()
    console.print(Text(f"Cost over the horizon ({difference.currency})", style=HEADING))
    console.print(_costs(difference))
    console.print()
    console.print(Text("Inputs", style=HEADING))
    _print_inputs(difference, console)


def print_difference_in_short(difference: PlanDifference, console: Console) -> None:
    """Print what changed in a few lines: loads, who is short by how much more or less, the cost."""
    _print_days(difference, console)
    console.print(f"{_load_counts(difference)}.")
    worse = [one for one in difference.shortages if one.after_lpa > one.before_lpa]
    if worse:
        most = max(worse, key=lambda one: one.after_lpa - one.before_lpa)
        console.print(
            f"{most.liquid} at {most.site} is {amount(most.after_lpa)} LPA short in the period of"
            f" {day_words(most.period_start)} (was {amount(most.before_lpa)})."
        )
    was, now = difference.costs["total"]
    console.print(
        f"Cost: {amount(was)} to {amount(now)} {difference.currency}. Every change:"
        " --show changes, or bulkflow compare."
    )


def _print_days(difference: PlanDifference, console: Console) -> None:
    if difference.begins_later:
        console.print(
            f"Loads and shortages are compared from {difference.begins_after} on. Costs are of each"
            f" plan's own horizon: the earlier one began on {difference.begins_before}.\n"
        )


def _load_counts(difference: PlanDifference) -> str:
    counts = {kind: sum(one.change == kind for one in difference.loads) for kind in STYLES}
    return (
        f"{counted(difference.kept_loads, 'load')} as before, {counts['amount']} on the same day"
        f" with another amount, {counts['moved']} moved, {counts['added']} added,"
        f" {counts['dropped']} dropped"
    )


def _print_inputs(difference: PlanDifference, console: Console) -> None:
    """Say which values of the workspace changed; where there are many, the first of them."""
    changed = difference.inputs
    if changed is None:
        console.print(
            "Which inputs changed is not known: an earlier program wrote one of the plans."
        )
        return
    if not changed:
        console.print("No input changed.")
        return
    table = plain_table("part", "what", "was", "is")
    for one in changed[:MOST_INPUTS]:
        what = f"{one.row}: {one.key}" if one.row and one.key else one.row or one.key
        table.add_row(one.part, what, one.before or "-", one.after or "-")
    console.print(table)
    if len(changed) > MOST_INPUTS:
        parts = Counter(one.part for one in changed[MOST_INPUTS:])
        more = listed([f"{count} of {part}" for part, count in parts.items()])
        console.print(f"And {more}; bulkflow compare --json shows all.")


def _runs(difference: PlanDifference) -> Table:
    table = plain_table("period of", "site", "still", "recipe", "was", "is",
                        right=("period of", "was", "is"))  # fmt: skip
    for one in difference.runs:
        table.add_row(
            day_words(one.period_start), one.site, one.still, one.recipe,
            f"{one.before_charges:g}", f"{one.after_charges:g}",
        )  # fmt: skip
    return table


def _purchases(difference: PlanDifference) -> Table:
    table = plain_table("period of", "supplier", "liquid", "was", "is",
                        right=("period of", "was", "is"))  # fmt: skip
    for one in difference.purchases:
        table.add_row(
            day_words(one.period_start), one.supplier, one.liquid,
            amount(one.before_lpa), amount(one.after_lpa),
        )  # fmt: skip
    return table


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
    parts = {part: pair for part, pair in difference.costs.items() if part != "total"}
    before = whole_parts([was for was, _ in parts.values()])
    after = whole_parts([now for _, now in parts.values()])
    for part, was, now in (
        *zip(parts, before, after, strict=True),
        ("total", sum(before), sum(after)),
    ):
        if was or now:
            table.add_row(part, f"{was:,}", f"{now:,}", f"{now - was:+,}" if now != was else "0")
    return table
