"""Balances, opening lots, arrivals, purchase, contracts, vatting, shelf life (eqs. 1 to 6, 27)."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from bulkflow.plan.checks.ledger import Ledger
from bulkflow.plan.checks.position import Commodity
from bulkflow.plan.checks.watch import LPA, MONEY, WHOLE, Check, Watch
from bulkflow.program.answer import LoadKind, Purchase
from bulkflow.scenario.model import Contract, LotStatus

__all__ = ["balance_checks", "commodity_words", "leaving_in_time"]


def commodity_words(commodity: Commodity) -> str:
    """Return liquid and site of a commodity in words, with its origin where markets bar it."""
    site, liquid, barring = commodity
    origin = f" (not for {', '.join(sorted(barring))})" if barring else ""
    return f"{liquid}{origin} at {site}"


def balance_checks(ledger: Ledger) -> list[Check]:
    """Return the checks of everything that is conserved."""
    return [
        _opening(ledger),
        _released_stock(ledger),
        _first_there(ledger),
        _opening_lots(ledger),
        _purchase(ledger),
        _tier_prices(ledger),
        _contract_amounts(ledger),
        _tiers(ledger),
        _least_orders(ledger),
        _hearts(ledger),
        _unreleased(ledger),
        _vatting_sizes(ledger),
        _release_lag(ledger),
        _classes(ledger),
        _shelf_life(ledger),
    ]


def _stocked(ledger: Ledger) -> list[Commodity]:
    """Return the commodities held at sites (suppliers hold no stock of ours)."""
    return [one for one in ledger.commodities if one[0] in ledger.sites]


def _opening(ledger: Ledger) -> Check:
    watch = Watch(
        "opening-stock", "the plan starts from the opening stock and released lots", (1, 2), LPA
    )
    for commodity in _stocked(ledger):
        words = commodity_words(commodity)
        watch.near(
            ledger.stock[commodity, 0], ledger.opening[commodity, 0], f"opening stock of {words}"
        )
        watch.near(
            ledger.hearts[commodity, 0] + ledger.unreleased[commodity, 0],
            0.0,
            f"opening hearts and unreleased vattings of {words}",
        )
    return watch.result()


def _released_stock(ledger: Ledger) -> Check:
    watch = Watch(
        "released-stock",
        "released stock is what was there, came in and was made, less what went out",
        (1, 3),
        LPA,
    )
    for commodity in _stocked(ledger):
        for period in ledger.periods:
            key = (commodity, period)
            comes = ledger.there_first(commodity, period) + ledger.made_within(commodity, period)
            right = comes - ledger.outflow(commodity, period)
            watch.near(
                ledger.stock[key],
                right,
                f"released {commodity_words(commodity)} at the end of period {period}",
            )
    return watch.result()


def _first_there(ledger: Ledger) -> Check:
    """Compare what is loaded, charged and let down with what was there before the period's making.

    The balance alone would let a load take on Monday what is made by Sunday.
    """
    watch = Watch(
        "first-there", "nothing is loaded or made into something else before it exists", (7,), LPA
    )
    for commodity in _stocked(ledger):
        for period in ledger.periods:
            watch.at_most(
                ledger.taken_first(commodity, period),
                ledger.there_first(commodity, period),
                f"{commodity_words(commodity)} loaded and used in period {period}",
            )
    return watch.result()


def _opening_lots(ledger: Ledger) -> Check:
    """Ask whether the plan could have used a lot that its gates keep shut.

    The balance (eq. 1) counts lots when they enter; here the same is asked of the sum: what left
    the site can never exceed what it had without the lots that have not entered.
    """
    watch = Watch("gates", "nothing leaves that a gate keeps shut", (2,), LPA)
    for commodity in _stocked(ledger):
        shut = [lot for lot in ledger.scenario.lots
                if lot.status is not LotStatus.RELEASED
                and ledger.of_lot(lot) == commodity]  # fmt: skip
        if not shut:
            continue
        had = ledger.opening[commodity, 0]
        gone = 0.0
        for period in ledger.periods:
            key = (commodity, period)
            had += (ledger.arrivals[key] + ledger.released[key] + ledger.lots_released[key]
                    + ledger.made_within(commodity, period))  # fmt: skip
            gone += ledger.outflow(commodity, period)
            watch.at_most(
                gone,
                had,
                f"{commodity_words(commodity)} gone by the end of period {period}, with"
                f" {', '.join(lot.lot_id for lot in shut)} not (all) released,",
            )
    return watch.result()


def _purchase(ledger: Ledger) -> Check:
    watch = Watch("purchase", "what leaves a supplier is bought in the same period", (4,), LPA)
    bought: dict[tuple[str, str, int], float] = defaultdict(float)
    left: dict[tuple[str, str, int], float] = defaultdict(float)
    for row in ledger.plan.purchases:
        bought[row.supplier, row.liquid, row.period] += row.lpa
    for (commodity, period), lpa in ledger.sent_lpa.items():
        if commodity[0] in ledger.suppliers:
            left[commodity[0], commodity[1], period] += lpa
    for key in sorted({*bought, *left}):
        supplier, liquid, period = key
        watch.near(bought[key], left[key], f"{liquid} bought from {supplier} in period {period}")
    return watch.result()


def _open_in(ledger: Ledger, contract: Contract, period: int) -> bool:
    """Return whether a period starts within a contract's dates (eq. 5)."""
    day = ledger.days.first(period)
    return (contract.first_day is None or day >= contract.first_day) and (
        contract.last_day is None or day <= contract.last_day
    )


def _contract_of(ledger: Ledger, row: Purchase) -> Contract | None:
    """Return the contract a purchase falls under, or None where none is open."""
    for contract in ledger.money.contracts(row.supplier, row.liquid):
        if _open_in(ledger, contract, row.period):
            return contract
    return None


def _tier_prices(ledger: Ledger) -> Check:
    watch = Watch(
        "prices", "each purchase has an open contract and that day's tier price", (5, 28), MONEY
    )
    for row in ledger.plan.purchases:
        where = f"the price of {row.liquid} from {row.supplier}, period {row.period}"
        contract = _contract_of(ledger, row)
        if contract is None or row.tier >= len(contract.tiers):
            watch.wrong(f"{where} (no contract or tier {row.tier} open)")
            continue
        day = ledger.days.first(row.period)
        right = ledger.money.tier_price(row.supplier, contract, row.tier, day)
        watch.near(row.price_per_lpa, right, where)
    return watch.result()


def _contract_amounts(ledger: Ledger) -> Check:
    watch = Watch("contracts", "purchases keep within contract minimum and maximum", (5,), LPA)
    for supplier in ledger.scenario.suppliers:
        for contract in supplier.contracts:
            by_period: dict[int, float] = defaultdict(float)
            for row in ledger.plan.purchases:
                if row.supplier == supplier.id and _contract_of(ledger, row) == contract:
                    by_period[row.period] += row.lpa
            words = f"{contract.liquid} bought from {supplier.id}"
            total = sum(by_period.values())
            if any(_open_in(ledger, contract, period) for period in ledger.periods):
                watch.at_least(total, contract.minimum_lpa, words)
            if contract.maximum_lpa is not None:
                watch.at_most(total, contract.maximum_lpa, words)
            if contract.maximum_lpa_per_period is not None:
                for period, lpa in by_period.items():
                    watch.at_most(
                        lpa, contract.maximum_lpa_per_period, f"{words} in period {period}"
                    )
    return watch.result()


def _tiers(ledger: Ledger) -> Check:
    watch = Watch("price-tiers", "a price tier opens only when the one before is full", (5,), LPA)
    for supplier in ledger.scenario.suppliers:
        for contract in supplier.contracts:
            bought = [0.0] * len(contract.tiers)
            for row in ledger.plan.purchases:
                if (row.supplier == supplier.id and _contract_of(ledger, row) == contract
                        and row.tier < len(bought)):  # fmt: skip
                    bought[row.tier] += row.lpa
            for tier, (this, after) in enumerate(
                zip(contract.tiers, contract.tiers[1:], strict=False)
            ):
                words = f"{contract.liquid} from {supplier.id} in price tier {tier + 1}"
                width = after.from_lpa - this.from_lpa
                watch.at_most(bought[tier], width, words)
                if sum(bought[tier + 1 :]) > LPA.tolerance(width):
                    watch.at_least(bought[tier], width, f"{words}, with a later tier open,")
    return watch.result()


def _least_orders(ledger: Ledger) -> Check:
    watch = Watch(
        "orders", "whatever is ordered is at least the contract's least order", (31,), LPA
    )
    for supplier in ledger.scenario.suppliers:
        for contract in supplier.contracts:
            if not (contract.minimum_lpa_per_order or contract.minimum_loads_per_order):
                continue
            for period in ledger.periods:
                if _open_in(ledger, contract, period):
                    _one_order(ledger, watch, supplier.id, contract, period)
    return watch.result()


def _one_order(
    ledger: Ledger, watch: Watch, supplier: str, contract: Contract, period: int
) -> None:
    bought = sum(
        row.lpa
        for row in ledger.plan.purchases
        if (row.supplier, row.liquid, row.period) == (supplier, contract.liquid, period)
    )
    loads = [
        load
        for load in ledger.sent
        if (load.origin, load.period) == (supplier, period)
        and contract.liquid in ledger.lanes[load.lane].liquids
        and (
            ledger.tank_types[load.tank_type].compartments
            or any(part.liquid == contract.liquid for part in load.parts)
        )
    ]
    frozen = sum(
        part.lpa
        for load in loads
        if load.kind is LoadKind.FROZEN
        for part in load.parts
        if part.liquid == contract.liquid
    )
    if bought <= frozen + LPA.tolerance(bought):
        return
    where = f"of {contract.liquid} ordered from {supplier} in period {period}"
    watch.at_least(bought, contract.minimum_lpa_per_order, f"LPA {where}")
    watch.holds(
        len(loads) >= contract.minimum_loads_per_order,
        f"{len(loads)} loads {where}, not {contract.minimum_loads_per_order} or more",
    )


def _hearts(ledger: Ledger) -> Check:
    watch = Watch("hearts", "hearts are what was distilled, less what was vatted", (6, 7), LPA)
    for commodity in _stocked(ledger):
        vats = ledger.sites[commodity[0]].release is not None
        for period in ledger.periods:
            key = (commodity, period)
            right = 0.0
            if vats:
                right = (ledger.hearts[commodity, period - 1] + ledger.hearts_made[key]
                         + ledger.let_down_made[key] - ledger.vatted[key])  # fmt: skip
            watch.near(
                ledger.hearts[key],
                right,
                f"hearts of {commodity_words(commodity)} at the end of period {period}",
            )
    return watch.result()


def _unreleased(ledger: Ledger) -> Check:
    watch = Watch(
        "unreleased",
        "vattings stay unreleased until their release, arrivals until the end of their check",
        (6, 32),
        LPA,
    )
    for commodity in _stocked(ledger):
        for period in ledger.periods:
            key = (commodity, period)
            right = (ledger.unreleased[commodity, period - 1] + ledger.vatted[key]
                     - ledger.released[key] + ledger.received[key]
                     - ledger.arrivals[key])  # fmt: skip
            watch.near(
                ledger.unreleased[key],
                right,
                f"unreleased {commodity_words(commodity)} at the end of period {period}",
            )
    return watch.result()


def _vatting_sizes(ledger: Ledger) -> Check:
    watch = Watch(
        "vatting-size", "vattings are whole lots within the least and most size", (6,), LPA
    )
    for row in ledger.plan.vattings:
        release = ledger.sites[row.site].release
        where = f"{row.liquid} vatted at {row.site} in period {row.period}, {row.lots} lots,"
        if release is None or row.lots != int(row.lots) or (row.lots < 1 and row.lpa > 0):
            watch.wrong(f"{where} (no release there, or lots not whole)")
            continue
        watch.at_least(row.lpa, row.lots * release.vatting_minimum_lpa, where)
        if release.vatting_maximum_lpa is not None:
            watch.at_most(row.lpa, row.lots * release.vatting_maximum_lpa, where)
    return watch.result()


def _release_lag(ledger: Ledger) -> Check:
    watch = Watch(
        "release-lag", "days from charge to release are added and rounded up once", (6,), WHOLE
    )
    for row in ledger.plan.vattings:
        release = ledger.sites[row.site].release
        into = ledger.days_into(ledger.sites[row.site], row.liquid)
        watch.same(
            row.release_period,
            ledger.days.released(row.period, into, release.lag_days) if release else row.period,
            f"the release period of {row.liquid} vatted at {row.site} in period {row.period}",
        )
    return watch.result()


def _classes(ledger: Ledger) -> Check:
    """Compare the origin class of what is bought and made with that of what it is made from.

    Of a class only the markets count that can be come to from the place.
    """
    watch = Watch(
        "origin", "origin classes follow from suppliers, bases and inputs", (6, 7, 10), WHOLE
    )
    for run in ledger.plan.runs:
        made_of = ledger.classes.of_mixture(origin for _, origin, _ in run.inputs)
        watch.same(
            sorted(ledger.barring(run.origin_class)),
            sorted(ledger.kept(run.site, run.makes, made_of)[2]),
            f"the markets barring {run.makes} of {run.still} in period {run.period}",
        )
    for made in ledger.plan.let_downs:
        made_of = ledger.classes.of_mixture(origin for _, origin, _ in made.inputs)
        watch.same(
            sorted(ledger.barring(made.origin_class)),
            sorted(ledger.kept(made.site, made.makes, made_of)[2]),
            f"the markets barring {made.makes} let down at {made.site}, period {made.period}",
        )
    for load in ledger.plan.loads:
        row = ledger.load_rows.get(load.load_id)
        supplier = row.supplier if row is not None else None
        if supplier is None and load.origin in ledger.suppliers:
            supplier = load.origin
        for part in load.parts:
            known = ledger.barring(part.origin_class)
            fixed = row is not None and load.kind in (LoadKind.FROZEN, LoadKind.UNDER_WAY)
            if load.origin in ledger.suppliers or fixed:
                right = ledger.classes.of_bought(part.liquid, supplier)
                watch.same(
                    sorted(known),
                    sorted(ledger.kept(load.origin, part.liquid, right)[2]),
                    f"the markets barring {part.liquid} in load {load.load_id}",
                )
    for commodity in ledger.commodities:
        wrong = [name for name in commodity[2] if name.startswith("?")]
        watch.holds(not wrong, f"{', '.join(wrong)[1:]} is no origin class")
        watch.same(
            sorted(commodity[2]),
            sorted(ledger.kept(*commodity)[2]),
            f"the markets that keep {commodity_words(commodity)} apart",
        )
    return watch.result()


def _shelf_life(ledger: Ledger) -> Check:
    """Compare stock with what leaves in its shelf life.

    A site that only bottles for itself and one that sends on are treated alike: all that leaves
    counts, first made first used.
    """
    watch = Watch("shelf-life", "no stock outlives its shelf life", (27,), LPA)
    for commodity in _stocked(ledger):
        if ledger.liquids[commodity[1]].past_life_cost_per_lpa is not None:
            continue  # it may, at a price
        for period, leaves in leaving_in_time(ledger, commodity):
            watch.at_most(
                ledger.stock[commodity, period],
                leaves,
                f"{commodity_words(commodity)} at the end of period {period}",
            )
    return watch.result()


def leaving_in_time(ledger: Ledger, commodity: Commodity) -> Iterator[tuple[int, float]]:
    """Yield each period and the LPA that leave within shelf life after it (eq. 27)."""
    life = ledger.liquids[commodity[1]].shelf_life_days
    if life is None:
        return
    ahead = life // ledger.days.length
    for period in range(1, ledger.days.count - ahead + 1):
        later = range(period + 1, period + ahead + 1)
        yield period, sum(ledger.outflow(commodity, one) for one in later)
