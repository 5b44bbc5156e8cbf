"""Making: charges on stills with hours, cleaning and campaigns, and let-down.

Owns eqs. 7 to 10; what becomes of hearts (eqs. 6, 11) is in `bulkflow.program.vatting`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.network import Effect, Term
from bulkflow.program.build_context import BuildContext, hearts_node, site_node
from bulkflow.program.calendar import entry_lag, open_share
from bulkflow.program.classes import Commodity, recipes_at
from bulkflow.program.network_builder import Label, NetworkBuilder, steady_amount
from bulkflow.program.vatting import VattingColumn, add_release
from bulkflow.scenario.model import Recipe, Site, Still

__all__ = [
    "LetDownColumn",
    "Making",
    "RunColumn",
    "add_making",
    "charge_lpa",
    "still_hours",
]

FloatArray = NDArray[np.float64]
HOURS_TOLERANCE = 1e-9
"""Hours are sums of decimals; a charge that fits but for rounding fits."""
LEAST_PART_OF_CHARGE = 0.01
"""The least of a charge with which a continuous still counts as running a recipe (eq. 8)."""


@dataclass(frozen=True, slots=True)
class RunColumn:
    """Charges of a recipe on a still from inputs of given classes: an activity of the core.

    Parameters
    ----------
    inputs : (commodity, LPA a charge).
    feints : what its feints are, None without.
    hearts_lpa, feints_lpa : from each charge.
    per_charge : cost by period, in the workspace's currency, (T,).
    """

    activity: str
    site: str
    still: str
    recipe: Recipe
    inputs: tuple[tuple[Commodity, float], ...]
    makes: Commodity
    feints: Commodity | None
    hearts_lpa: float
    feints_lpa: float
    per_charge: FloatArray
    continuous: bool


@dataclass(frozen=True, slots=True)
class LetDownColumn:
    """LPA let down by a recipe at a site: an activity of the core; inputs per LPA made."""

    activity: str
    site: str
    recipe: Recipe
    inputs: tuple[tuple[Commodity, float], ...]
    makes: Commodity


@dataclass(slots=True)
class Making:
    """Everything that can be made."""

    runs: list[RunColumn] = field(default_factory=list)
    let_downs: list[LetDownColumn] = field(default_factory=list)
    vattings: list[VattingColumn] = field(default_factory=list)


def add_making(context: BuildContext, builder: NetworkBuilder) -> Making:
    """Add stills, let-down and vatting at every site."""
    making = Making()
    for site in context.scenario.sites:
        for still in site.stills:
            runs = [
                run
                for recipe in recipes_at(context.scenario, site)
                if recipe.method == "distil" and recipe.id in still.recipes
                for run in _runs(context, site, still, recipe)
            ]
            making.runs += runs
            _add_still(context, builder, site, still, runs)
        for recipe in recipes_at(context.scenario, site):
            if recipe.method == "let_down":
                making.let_downs += _add_let_down(context, builder, site, recipe)
        if site.release is not None:
            making.vattings += add_release(context, builder, site, site.release)
    return making


def charge_lpa(still: Still, recipe: Recipe) -> float:
    """Return the LPA in one charge (eq. 7)."""
    strength = recipe.charge_strength_percent
    if strength is None:
        raise ValueError(f"recipe {recipe.id} is distilled but has no charge strength")
    return still.charge_litres * strength / 100.0


def _runs(context: BuildContext, site: Site, still: Still, recipe: Recipe) -> list[RunColumn]:
    """Return the charges of a recipe, one column for every choice of classes of its inputs."""
    charge = charge_lpa(still, recipe)
    hearts = charge * (recipe.hearts_percent_of_lpa or 0.0) / 100.0
    feints = charge * recipe.feints_percent_of_lpa / 100.0 if recipe.feints_liquid else 0.0
    per_charge = still.cost_per_charge * context.money.factors(site.currency)
    name = f"charges {site.id}/{still.id}/{recipe.id}"
    choices = context.reachability.combinations(site.id, recipe)
    return [
        RunColumn(
            name if len(choices) == 1 else f"{name}/{_choice(inputs)}",
            site.id,
            still.id,
            recipe,
            tuple(
                (commodity, charge * one.share_percent_of_lpa / 100.0)
                for commodity, one in zip(inputs, recipe.inputs, strict=True)
            ),
            context.classes.made(site.id, recipe.makes, inputs),
            context.classes.made(site.id, recipe.feints_liquid, inputs)
            if feints > 0 and recipe.feints_liquid
            else None,
            hearts,
            feints,
            per_charge + recipe.cost_per_lpa_made * hearts,
            still.continuous,
        )
        for inputs in choices
    ]


def _choice(inputs: tuple[Commodity, ...]) -> str:
    return ",".join(one.origin_class for one in inputs)


def still_hours(context: BuildContext, site: Site, still: Still) -> FloatArray:
    """Return the hours a still can run in each period (eq. 8), (T,)."""
    closures = (*still.shutdowns, *site.closures)
    return np.array(
        [
            still.hours_per_period * open_share(context.periods, t, closures)
            for t in context.periods.numbers()
        ]
    )


def _add_still(
    context: BuildContext, builder: NetworkBuilder, site: Site, still: Still, runs: list[RunColumn]
) -> None:
    """Add the charges of a still, its hours, and where needed what it is set to (eqs. 7 to 9)."""
    if not runs:
        return
    hours = still_hours(context, site, still)
    most = _most_charges(still, hours)
    refs = (f"sites[{site.id}].stills[{still.id}]",)
    for run in runs:
        label = Label(f"hours of still {still.id} at {site.id} for {run.recipe.id}", refs, 8)
        builder.add_activity(
            run.activity,
            label,
            effects=_effects(context, site, run),
            upper=most,
            cost=run.per_charge,
            integer=not still.continuous,
        )
    terms = [Term("activity", run.activity, still.hours_per_charge) for run in runs]
    if still.cleaning_hours > 0 or still.minimum_campaign_charges > 0:
        setting = _Setting(builder, site, still, runs, hours)
        terms += setting.cleaning_terms(still.cleaning_hours)
    builder.add_limit(
        f"hours {site.id}/{still.id}",
        Label(
            f"hours of still {still.id} at {site.id} ({still.hours_per_period:g} a period)", refs, 8
        ),
        terms,
        at_most=hours,
    )


def _most_charges(still: Still, hours: FloatArray) -> FloatArray:
    """Return the most charges that fit into hours."""
    most: FloatArray = np.maximum(hours, 0.0) / still.hours_per_charge + HOURS_TOLERANCE
    return most if still.continuous else np.floor(most)


def _effects(context: BuildContext, site: Site, run: RunColumn) -> list[Effect]:
    """Return what a charge takes and gives."""
    stock = site_node(site.id)
    effects = [Effect(stock, context.name(one), -lpa) for one, lpa in run.inputs]
    lag = entry_lag(context.periods, site, run.recipe.days_to_vat)
    if run.hearts_lpa > 0:
        node = hearts_node(site.id) if site.release is not None else stock
        effects += _coming(context, node, run.makes, run.hearts_lpa, lag)
    if run.feints is not None:
        effects.append(Effect(stock, context.name(run.feints), run.feints_lpa))
    return _merged(effects)


def _coming(
    context: BuildContext, node: str, commodity: Commodity, lpa: float, lag: int
) -> list[Effect]:
    """Return what is made, unless it is ready after the horizon only."""
    if lag >= context.count or commodity not in context.names:
        return []
    return [Effect(node, context.name(commodity), lpa, lag)]


def _merged(effects: list[Effect]) -> list[Effect]:
    """Add up effects on the same balance at the same lag (feints may be an input too)."""
    amounts: dict[tuple[str, str, int], float] = {}
    for one in effects:
        key = (one.node, one.commodity, one.lag)
        amounts[key] = amounts.get(key, 0.0) + steady_amount(one)
    return [Effect(node, name, amount, lag) for (node, name, lag), amount in amounts.items()]


class _Setting:
    """What a still is set to: runs (U) and stays set (K) by recipe and period (eqs. 8, 9)."""

    def __init__(
        self,
        builder: NetworkBuilder,
        site: Site,
        still: Still,
        runs: list[RunColumn],
        hours: FloatArray,
    ) -> None:
        self.builder, self.still = builder, still
        self.most = _most_charges(still, hours)
        self.most_cleaned = _most_charges(still, hours - still.cleaning_hours)
        self.place = f"{site.id}/{still.id}"
        self.refs = (f"sites[{site.id}].stills[{still.id}]",)
        self.by_recipe: dict[str, list[str]] = {}
        for run in runs:
            self.by_recipe.setdefault(run.recipe.id, []).append(run.activity)
        self.periods = builder.periods
        for recipe, activities in self.by_recipe.items():
            self._add_recipe(recipe, activities)
        self._add_exclusions()

    def cleaning_terms(self, hours: float) -> list[Term]:
        """Return the terms of the hours row: a cleaning for each recipe not already set."""
        if hours == 0:
            return []
        return [
            term
            for recipe in self.by_recipe
            for term in (
                Term("activity", self._runs(recipe), hours),
                Term("activity", self._stays(recipe), -hours),
            )
        ]

    def _runs(self, recipe: str) -> str:
        return f"runs {self.place}/{recipe}"

    def _stays(self, recipe: str) -> str:
        return f"stays set {self.place}/{recipe}"

    def _label(self, what: str, equation: int) -> Label:
        where = self.place.replace("/", ", still ")
        return Label(f"{what} at {where}", self.refs, equation, structural=equation == 8)

    def _add_recipe(self, recipe: str, activities: list[str]) -> None:
        builder, runs, stays = self.builder, self._runs(recipe), self._stays(recipe)
        label = self._label(f"what {recipe} needs to run", 8)
        may_stay = np.ones(self.periods)
        may_stay[0] = 1.0 if self.still.last_recipe == recipe else 0.0
        builder.add_activity(runs, label, upper=1.0, integer=True)
        builder.add_activity(stays, label, upper=may_stay, integer=True)
        charges = [Term("activity", one) for one in activities]
        # A recipe to which the still is not set leaves its cleaning hours out of its charges.
        gained = self.most - self.most_cleaned
        builder.add_limit(
            f"{runs}/only then", label,
            [
                *charges,
                Term("activity", runs, (-self.most_cleaned).tolist()),
                Term("activity", stays, (-gained).tolist()),
            ],
            at_most=0.0,
        )  # fmt: skip
        least = LEAST_PART_OF_CHARGE if self.still.continuous else 1.0
        builder.add_limit(
            f"{runs}/at least", label, [*charges, Term("activity", runs, -least)], at_least=0.0
        )
        builder.add_limit(
            f"{stays}/now", label, [Term("activity", stays), Term("activity", runs, -1.0)],
            at_most=0.0,
        )  # fmt: skip
        builder.add_limit(
            f"{stays}/before", label,
            [Term("activity", stays), Term("activity", runs, -1.0, lag_first=1, lag_last=1)],
            at_most=0.0, periods=range(2, self.periods + 1),
        )  # fmt: skip
        least = float(self.still.minimum_campaign_charges)
        if least > 1 or (least == 1 and self.still.continuous):
            self._add_campaign(recipe, charges, least)

    def _add_campaign(self, recipe: str, charges: list[Term], least: float) -> None:
        """Add eq. 9."""
        runs, stays = self._runs(recipe), self._stays(recipe)
        label = self._label(f"minimum campaign of {least:g} charges of {recipe}", 9)
        self.builder.add_limit(
            f"campaign {self.place}/{recipe}/alone", label,
            [
                *charges,
                Term("activity", runs, -least),
                Term("activity", stays, least),
                Term("activity", stays, least, lag_first=-1, lag_last=-1),
            ],
            at_least=0.0,
        )  # fmt: skip
        self.builder.add_limit(
            f"campaign {self.place}/{recipe}/across", label,
            [
                *(Term("activity", one.ref, lag_first=0, lag_last=1) for one in charges),
                Term("activity", stays, -least),
            ],
            at_least=0.0, periods=range(2, self.periods + 1),
        )  # fmt: skip

    def _add_exclusions(self) -> None:
        """Keep a still set to one recipe, and through a period only if no other runs in it."""
        label = self._label("one recipe at a time", 8)
        recipes = list(self.by_recipe)
        if len(recipes) < 2:
            return
        self.builder.add_limit(
            f"stays set {self.place}", label,
            [Term("activity", self._stays(one)) for one in recipes], at_most=1.0,
        )  # fmt: skip
        for recipe in recipes:
            for other in recipes:
                if other != recipe:
                    self.builder.add_limit(
                        f"stays set {self.place}/{recipe}/through {other}", label,
                        [
                            Term("activity", self._stays(recipe), lag_first=-1, lag_last=0),
                            Term("activity", self._runs(other)),
                        ],
                        at_most=2.0,
                    )  # fmt: skip


def _add_let_down(
    context: BuildContext, builder: NetworkBuilder, site: Site, recipe: Recipe
) -> list[LetDownColumn]:
    """Add letting down at a site (eq. 10)."""
    name = f"let down {site.id}/{recipe.id}"
    label = Label(f"let-down {recipe.id} at {site.id}", (f"recipes[{recipe.id}]",), 10)
    choices = context.reachability.combinations(site.id, recipe)
    vats = site.release is not None
    node, lag = (hearts_node(site.id), 1) if vats else (site_node(site.id), 0)
    columns = []
    for inputs in choices:
        made = context.classes.made(site.id, recipe.makes, inputs)
        needed = tuple(
            (commodity, one.share_percent_of_lpa / 100.0 / (1.0 - recipe.loss_percent / 100.0))
            for commodity, one in zip(inputs, recipe.inputs, strict=True)
        )
        activity = name if len(choices) == 1 else f"{name}/{_choice(inputs)}"
        effects = [Effect(site_node(site.id), context.name(one), -lpa) for one, lpa in needed]
        builder.add_activity(
            activity,
            label,
            effects=_merged([*effects, *_coming(context, node, made, 1.0, lag)]),
            upper=recipe.maximum_lpa_per_period,
            cost=recipe.cost_per_lpa_made,
        )
        columns.append(LetDownColumn(activity, site.id, recipe, needed, made))
    if recipe.maximum_lpa_per_period is not None and len(columns) > 1:
        builder.add_limit(
            name,
            label,
            [Term("activity", column.activity) for column in columns],
            at_most=recipe.maximum_lpa_per_period,
        )
    return columns
