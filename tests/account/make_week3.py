"""Write the demo's bottlings of weeks 1 and 2 from its demand: invented, the same each time.

::

    python -m tests.account.make_week3

Each row of demand of the two weeks becomes a lot of bottles of about as much, less a filler that
stood still at Norfolk. Run it again when the demo's demand changes.
"""

from __future__ import annotations

import csv
import random
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

from bulkflow.scenario.lookup import demand_liquid, demand_lpa
from bulkflow.scenario.model import DemandRow, Product, Scenario
from bulkflow.scenario.reader import read_workspace

DEMO = Path(__file__).resolve().parents[2] / "scenarios" / "vejkalna"
FILE = DEMO / "week3" / "bottled.csv"
BEFORE = date(2027, 1, 18)
USUAL = {"VK-DRY": "DRY-750", "VK-CIT": "CIT-750", "VK-NAVY": "NAVY-700"}
LAWFUL = {("GRAZ", "VK-CIT"): "CIT-700", ("NASHIK", "VK-NAVY"): "NAVY-750"}
"""Of a size and strength that the market of a site takes, where the usual one is not."""
STOPPED = ("NORFOLK", "VK-CIT", 2)
FROM_STOCK = 4000.0  # of the lot of bottles that also takes from load W-101


def rows(scenario: Scenario) -> Iterator[dict[str, object]]:
    """Yield a row of the table for each row of demand of the two weeks."""
    products = {one.id: one for one in scenario.products}
    rng = random.Random(7)
    asked = [row for row in scenario.demand if row.period_start < BEFORE]
    numbers: dict[str, int] = {}
    for row in sorted(asked, key=lambda row: (row.period_start, row.site, str(row.priority))):
        liquid = demand_liquid(row, products)
        week = 1 + (row.period_start - scenario.calendar.start).days // 7
        product = products[row.product or LAWFUL.get((row.site, liquid)) or USUAL[liquid]]
        name = f"{row.site}-{liquid[3:4]}-27{week:02d}"
        numbers[name] = numbers.get(name, 0) + 1
        yield _row(row, product, week, name, numbers[name], demand_lpa(row, products), rng)


def _row(
    row: DemandRow,
    product: Product,
    week: int,
    name: str,
    number: int,
    lpa: float,
    rng: random.Random,
) -> dict[str, object]:
    bottled = product.bottles_per_case * product.bottle_ml / 1000 * product.strength_percent / 100
    loss = product.bottling_loss_percent / 100
    cases = int(lpa * (1 - loss) / bottled)
    stopped = (row.site, product.liquid, week) == STOPPED
    if stopped:
        cases = int(cases * 0.81)
    taken = round(cases * bottled / (1 - loss * rng.uniform(0.8, 1.05)), 1)
    day = row.period_start + timedelta(days=rng.choice([2, 3, 4]))
    sources = f"stock:{product.liquid}={taken}"
    if (row.site, product.liquid, week, number) == ("NORFOLK", "VK-DRY", 2, 1):
        sources = f"load:W-101={taken - FROM_STOCK:.1f};stock:VK-DRY={FROM_STOCK:g}"
        day = date(2027, 1, 14)
    code = f"{row.site[:3]}-{product.liquid[3]}27{week:02d}{number}"
    return {
        "bottling_id": name if number == 1 else f"{name}-{number}",
        "site_id": row.site,
        "product_id": product.id,
        "on": day,
        "sources": sources,
        "cases": cases,
        "codes": f"{code}-000001..{code}-{cases * product.bottles_per_case:06d}",
        "note": "a filler stood still two days" if stopped else "",
    }


def main() -> None:
    made = list(rows(read_workspace(DEMO).scenario))
    with FILE.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(made[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(made)


if __name__ == "__main__":
    main()
