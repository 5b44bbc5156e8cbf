"""Demand, who may serve it, backlog and loss, duty falling due (eqs. 23, 24, 29)."""

from __future__ import annotations

from collections import defaultdict
from datetime import timedelta

from bulkflow.plan.checks.asked import DemandKey, asked_for
from bulkflow.plan.checks.ledger import Ledger
from bulkflow.plan.checks.watch import LPA, MONEY, WHOLE, Check, Watch

__all__ = ["demand_checks"]

DAY = timedelta(days=1)


def demand_checks(ledger: Ledger) -> list[Check]:
    """Return the checks of what customers get and authorities are owed."""
    return [_demand(ledger), _markets(ledger), _unmet(ledger), _duty_due(ledger)]


def _demand(ledger: Ledger) -> Check:
    watch = Watch("demand", "demand is that of the workspace, every row of it", (23,), LPA)
    shown: dict[tuple[DemandKey, int], float] = defaultdict(float)
    for row in ledger.plan.demand:
        shown[(row.site, row.liquid, row.market, row.priority), row.period] += row.demand_lpa
    for key, by_period in asked_for(ledger).items():
        for period in ledger.periods:
            lpa = by_period.get(period, 0.0)
            watch.near(
                shown.pop((key, period), 0.0),
                lpa,
                f"demand for {key[1]} at {key[0]} ({key[3]}) in period {period}",
            )
    for (key, period), lpa in shown.items():
        watch.near(lpa, 0.0, f"demand for {key[1]} at {key[0]} ({key[3]}) in period {period}")
    return watch.result()


def _markets(ledger: Ledger) -> Check:
    watch = Watch("markets", "no market gets what it bars", (23,), WHOLE)
    for row in ledger.plan.demand:
        for origin, lpa in row.served:
            barred = bool(row.market) and row.market in ledger.barring(origin)
            watch.holds(
                not barred or lpa <= LPA.absolute,
                f"{row.site} gets {lpa:,.1f} LPA of {row.liquid} ({origin}) for market"
                f" {row.market} in period {row.period}",
            )
    return watch.result()


def _unmet(ledger: Ledger) -> Check:
    watch = Watch("unmet", "what is not served stays open or is lost", (24,), LPA)
    carried = {one.id for one in ledger.scenario.priorities if one.unmet == "carried"}
    shown = {((row.site, row.liquid, row.market, row.priority), row.period): row
             for row in ledger.plan.demand}  # fmt: skip
    for key in sorted({key for key, _ in shown}):
        before = 0.0
        for period in ledger.periods:
            row = shown.get((key, period))
            served = sum(lpa for _, lpa in row.served) if row else 0.0
            unmet = (row.demand_lpa if row else 0.0) - served + before
            found = row.open_lpa if row else 0.0
            watch.near(
                found, unmet, f"open demand for {key[1]} at {key[0]} ({key[3]}) in period {period}"
            )
            before = found if key[3] in carried else 0.0
    return watch.result()


def _duty_due(ledger: Ledger) -> Check:
    watch = Watch("duty-due", "duty falling due is worked out for each arrival", (29,), MONEY)
    shown = {(row.load_id, row.liquid): row for row in ledger.plan.duty_due}
    watch.same(len(shown), len(ledger.plan.duty_due), "the number of loads and liquids with duty")
    for load in ledger.plan.loads:
        site = ledger.sites[load.destination]
        if site.duty_status != "paid":
            continue
        by_liquid: dict[str, float] = defaultdict(float)
        for part in load.parts:
            by_liquid[part.liquid] += part.lpa * ledger.arriving_share(load)
        for liquid, lpa in by_liquid.items():
            period = ledger.received_period(load, liquid)
            if period > ledger.days.count:
                continue
            rate_on = ledger.days.first(period)
            rate = ledger.money.duty(
                site.authority, ledger.liquids[liquid], load.discharge_day, rate_on
            )
            row = shown.pop((load.load_id, liquid), None)
            where = f"duty due on {liquid} of load {load.load_id}"
            watch.near(row.amount if row else 0.0, rate * lpa, where)
            if row is not None:
                payable = load.discharge_day + ledger.money.payment_lag_days(site) * DAY
                watch.near((row.payable_on - payable).days, 0, f"days off for {where}")
                watch.near(row.lpa, lpa, f"LPA of the {where}")
                watch.near(row.period, period, f"the period of the {where}")
    for load_id, liquid in shown:
        watch.wrong(f"duty due on {liquid} of load {load_id}, not owed,")
    return watch.result()
