"""Distilling, let-down and judging (eqs. 7 to 11)."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence

from bulkflow.plan.checks.ledger import Ledger
from bulkflow.plan.checks.watch import HOURS, LPA, WHOLE, Check, Watch
from bulkflow.scenario.model import LotStatus, RecipeInput, Site, Still

__all__ = ["making_checks"]

# A continuous still's charges are computed, not counted: below this many, none were run.
SMALLEST_CHARGE = 1e-6

# Fewer charges than this are no run, on a continuous still (eq. 8).
LEAST_CONTINUOUS = 0.01 - 1e-6

Charges = Mapping[int, Mapping[str, float]]
"""Charges by period and recipe."""


def making_checks(ledger: Ledger) -> list[Check]:
    """Return the checks of everything that is made."""
    return [
        _whole_charges(ledger),
        _charge_amounts(ledger),
        _still_hours(ledger),
        _campaigns(ledger),
        _let_downs(ledger),
        _let_down_limits(ledger),
        _judging(ledger),
    ]


def _still(ledger: Ledger, site: str, still: str) -> Still | None:
    return next((one for one in ledger.sites[site].stills if one.id == still), None)


def _whole_charges(ledger: Ledger) -> Check:
    watch = Watch("whole-charges", "stills run whole charges of recipes they can run", (7,), WHOLE)
    for run in ledger.plan.runs:
        where = f"{run.charges:g} charges of {run.recipe} on {run.still} in period {run.period}"
        still = _still(ledger, run.site, run.still)
        recipe = ledger.recipes[run.recipe]
        able = still is not None and run.recipe in still.recipes and recipe.method == "distil"
        watch.holds(able, f"{where}: the still cannot run it")
        least = LEAST_CONTINUOUS if still is not None and still.continuous else 1.0
        watch.holds(run.charges >= least, f"{where} are fewer than a run has")
        whole = least < 1.0 or run.charges == int(run.charges)
        watch.holds(whole, f"{where} are not whole")
        watch.same(run.makes, recipe.makes, f"what {where} make")
    return watch.result()


def _charge_amounts(ledger: Ledger) -> Check:
    watch = Watch(
        "charges", "a charge takes its inputs by share and gives hearts and feints", (7,), LPA
    )
    for run in ledger.plan.runs:
        still, recipe = _still(ledger, run.site, run.still), ledger.recipes[run.recipe]
        if still is None:
            continue
        strength = recipe.charge_strength_percent or 0.0
        lpa = run.charges * still.charge_litres * strength / 100.0
        where = f"{run.recipe} on {run.still} in period {run.period}"
        _by_share(watch, recipe.inputs, run.inputs, lpa, where)
        watch.near(
            run.hearts_lpa,
            lpa * (recipe.hearts_percent_of_lpa or 0.0) / 100.0,
            f"hearts of {where}",
        )
        watch.near(run.feints_lpa, lpa * recipe.feints_percent_of_lpa / 100.0, f"feints of {where}")
    return watch.result()


def _by_share(
    watch: Watch,
    recipe_inputs: Sequence[RecipeInput],
    taken: Sequence[tuple[str, str, float]],
    total_lpa: float,
    where: str,
) -> None:
    """Compare what was taken, by liquid, with the shares of a recipe."""
    by_liquid: dict[str, float] = defaultdict(float)
    for liquid, _, lpa in taken:
        by_liquid[liquid] += lpa
    shares = sum(one.share_percent_of_lpa for one in recipe_inputs)
    for one in recipe_inputs:
        watch.near(
            by_liquid.pop(one.liquid, 0.0),
            total_lpa * one.share_percent_of_lpa / shares,
            f"{one.liquid} taken for {where}",
        )
    for liquid, lpa in by_liquid.items():
        watch.near(lpa, 0.0, f"{liquid}, which the recipe does not take, in {where}")


def _charges_of(ledger: Ledger, site: Site, still: Still) -> Charges:
    found: dict[int, dict[str, float]] = {period: {} for period in ledger.periods}
    for run in ledger.plan.runs:
        if (run.site, run.still) == (site.id, still.id) and run.charges > SMALLEST_CHARGE:
            by_recipe = found[run.period]
            by_recipe[run.recipe] = by_recipe.get(run.recipe, 0.0) + run.charges
    return found


def _hours_open(ledger: Ledger, site: Site, still: Still, period: int) -> float:
    share = ledger.days.open_share(period, still.shutdowns, site.closures)
    return still.hours_per_period * share


def _hours_used(still: Still, charges: Mapping[str, float], *, carried: bool) -> float:
    cleanings = len(charges) - (1 if carried else 0)
    return sum(charges.values()) * still.hours_per_charge + cleanings * still.cleaning_hours


def _still_hours(ledger: Ledger) -> Check:
    watch = Watch(
        "still-hours", "charges and cleaning fit into the hours of each still", (8,), HOURS
    )
    for site in ledger.scenario.sites:
        for still in site.stills:
            charges = _charges_of(ledger, site, still)
            spared = _fewest_cleanings(ledger, site, still, charges)
            for period in ledger.periods:
                used = _hours_used(still, charges[period], carried=spared[period])
                watch.at_most(
                    used, _hours_open(ledger, site, still, period), f"{still.id} in period {period}"
                )
    return watch.result()


def _fewest_cleanings(
    ledger: Ledger, site: Site, still: Still, charges: Charges
) -> dict[int, bool]:
    """Return in which periods the still starts set to a recipe that runs, at best.

    Hours only: where no way of carrying settings over fits all periods, each period is given
    its own best case, so that the shortfall shown is the least there can be.
    """
    chain = _carry(ledger, site, still, charges, lambda _period, _before, _after: True)
    if chain is not None:
        return {period: chain[period] is not None for period in ledger.periods}
    return {period: bool(_candidates(still, charges, period)) for period in ledger.periods}


def _campaigns(ledger: Ledger) -> Check:
    """Ask for one way of carrying settings through the periods that meets eqs. 8 and 9."""
    watch = Watch(
        "campaigns", "hours, cleaning and least campaigns can all be met at once", (8, 9), WHOLE
    )
    for site in ledger.scenario.sites:
        for still in site.stills:
            charges = _charges_of(ledger, site, still)

            def long_enough(
                period: int,
                before: str | None,
                after: str | None,
                still: Still = still,
                charges: Charges = charges,
            ) -> bool:
                return _campaign_holds(still, charges, period, before, after)

            chain = _carry(ledger, site, still, charges, long_enough)
            watch.holds(
                chain is not None,
                f"{still.id} at {site.id} cannot run its charges in any order of"
                f" settings: {_first_short(still, charges)}",
            )
    return watch.result()


def _campaign_holds(
    still: Still, charges: Charges, period: int, before: str | None, after: str | None
) -> bool:
    """Return whether campaigns of a period are long enough (eq. 9), given what is carried."""
    least = still.minimum_campaign_charges - SMALLEST_CHARGE
    for recipe, count in charges[period].items():
        if recipe not in (before, after) and count < least:
            return False
    if before is not None and period >= 2:
        over_two = charges[period - 1].get(before, 0.0) + charges[period].get(before, 0.0)
        return over_two >= least
    return True


def _first_short(still: Still, charges: Charges) -> str:
    for period, by_recipe in charges.items():
        for recipe, count in by_recipe.items():
            if count < still.minimum_campaign_charges - SMALLEST_CHARGE:
                return (
                    f"{count:g} charges of {recipe} in period {period}, of at least"
                    f" {still.minimum_campaign_charges}"
                )
    return "the hours do not allow the cleanings"


def _candidates(still: Still, charges: Charges, period: int) -> list[str]:
    """Return the recipes that may be carried into a period (eq. 8)."""
    if period == 1:
        earlier = [still.last_recipe] if still.last_recipe else []
    else:
        earlier = list(charges[period - 1])
    return [recipe for recipe in earlier if recipe in charges[period]]


def _carry(
    ledger: Ledger,
    site: Site,
    still: Still,
    charges: Charges,
    allowed: Callable[[int, str | None, str | None], bool],
) -> dict[int, str | None] | None:
    """Return one choice of the recipe carried into each period that fits, or None.

    A choice fits where hours suffice in each period, a recipe carried both in and out of a
    period is the only one in it, and ``allowed(period, carried_in, carried_out)``.
    """
    last = ledger.days.count
    reached: dict[str | None, dict[int, str | None]] = {
        recipe: {1: recipe} for recipe in (None, *_candidates(still, charges, 1))
    }
    for period in ledger.periods:
        onward = [None] if period == last else [None, *_candidates(still, charges, period + 1)]
        following: dict[str | None, dict[int, str | None]] = {}
        for before, path in reached.items():
            used = _hours_used(still, charges[period], carried=before is not None)
            open_hours = _hours_open(ledger, site, still, period)
            if used > open_hours + HOURS.tolerance(open_hours):
                continue
            for after in onward:
                alone = before is None or before != after or len(charges[period]) == 1
                if alone and after not in following and allowed(period, before, after):
                    following[after] = {**path, period + 1: after}
        if not following:
            return None
        reached = following
    return next(iter(reached.values()))


def _let_downs(ledger: Ledger) -> Check:
    watch = Watch("let-down", "letting down takes its inputs by share, with its loss", (10,), LPA)
    for made in ledger.plan.let_downs:
        recipe = ledger.recipes[made.recipe]
        total = made.lpa / (1.0 - recipe.loss_percent / 100.0)
        _by_share(
            watch,
            recipe.inputs,
            made.inputs,
            total,
            f"{made.recipe} at {made.site} in period {made.period}",
        )
    return watch.result()


def _let_down_limits(ledger: Ledger) -> Check:
    watch = Watch(
        "let-down-limits", "letting down keeps to its sites and its most per period", (10,), LPA
    )
    by_period: dict[tuple[str, str, int], float] = defaultdict(float)
    for made in ledger.plan.let_downs:
        recipe = ledger.recipes[made.recipe]
        where = f"{made.recipe} at {made.site} in period {made.period}"
        right = (recipe.method == "let_down" and made.site in recipe.sites
                 and made.makes == recipe.makes)  # fmt: skip
        if not right:
            watch.wrong(f"{where} (not a let-down of that site)")
        by_period[made.site, made.recipe, made.period] += made.lpa
    for (site, name, period), lpa in by_period.items():
        most = ledger.recipes[name].maximum_lpa_per_period
        watch.at_most(
            lpa, float("inf") if most is None else most, f"{name} at {site} in period {period}"
        )
    return watch.result()


def _judging(ledger: Ledger) -> Check:
    watch = Watch(
        "judging", "no more lots are made in a period than panel and laboratory judge", (11,), WHOLE
    )
    made: dict[tuple[str, int], int] = defaultdict(int)
    for row in ledger.plan.vattings:
        made[row.site, row.period] += row.lots
    for site in ledger.scenario.sites:
        if site.release is None:
            continue
        given = (site.release.panel_lots_per_period, site.release.laboratory_lots_per_period)
        limits = [one for one in given if one is not None]
        for period in ledger.periods:
            if limits and made[site.id, period]:
                room = max(0, min(limits) - _lots_due(ledger, site.id, period))
                watch.at_most(
                    made[site.id, period], room, f"lots made at {site.id}, period {period}"
                )
    return watch.result()


def _lots_due(ledger: Ledger, site: str, period: int) -> int:
    """Return the opening lots awaiting a decision that is due in a period."""
    return sum(
        lot.site == site
        and lot.status is LotStatus.AWAITING
        and lot.decision_due is not None
        and ledger.days.period_of(lot.decision_due) == period
        for lot in ledger.scenario.lots
    )
