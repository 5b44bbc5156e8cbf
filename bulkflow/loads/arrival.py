"""The arrival and reduction sheet: what the bottler is to expect, test, add and bottle.

Worked out from the register, the workspace and the rules; it refuses nothing, since it goes to
the receiver before the load does, but says how far the load has come.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

from sqlalchemy.orm import Session

from bulkflow.alcoholometry import (
    density_from_strength,
    hydrometer_from_strength,
    reduce_to_volume,
    weighing_from_mass,
)
from bulkflow.errors import Fault, InputError
from bulkflow.filling import FILLING_CAUTION
from bulkflow.loads.bodies import LoadPart
from bulkflow.loads.mixing import mix
from bulkflow.loads.queries import LoadRecord, find_load, sealings_of, seals_on
from bulkflow.loads.reducing import (
    Correction,
    Liquor,
    Stage,
    Target,
    correction,
    let_down,
    liquor,
    reduce_in_stages,
    target_of_label,
)
from bulkflow.lots.bodies import Sample
from bulkflow.lots.samples import kept_samples
from bulkflow.plan.compliance import Judgement, judge_product
from bulkflow.records.chain import head
from bulkflow.rules import (
    BottleSizes,
    LabelTolerance,
    LossAllowance,
    ReferenceTemperature,
    Statement,
    bottle_sizes,
    cautions_of,
    jurisdiction_of,
    label_tolerance,
    loss_allowance,
    reference_temperature,
)
from bulkflow.scenario.model import Liquid, Product, Recipe, Scenario, Site

__all__ = [
    "DEVIATIONS",
    "NOSING_ML",
    "NOSING_PERCENT",
    "NOSING_REST_MINUTES",
    "SAMPLING",
    "Arrival",
    "ArrivalPart",
    "Bottling",
    "LetDownLine",
    "Wanted",
    "arrival_sheet",
]

REFERENCE_C = 20.0
NOSING_PERCENT = 20.0
NOSING_REST_MINUTES = 15
NOSING_ML = 200.0
#: Deviations from the bottling strength that the table of corrections lists [% vol].
DEVIATIONS = (1.0, 0.5, 0.3, 0.2, 0.1, -0.1, -0.2, -0.3, -0.5, -1.0)

#: What to do before anything is discharged (common practice).
SAMPLING = (
    "Compare tank number, seals and movement reference with this sheet before a seal is broken;"
    " note every difference.",
    "Let the tank stand, earth it, open the vent, and only then the sample point. Nose nothing at"
    " an opening: nose a drawn sample, away from the tank.",
    "Take samples from top, middle and bottom (or a running sample) into clean glass, rinsed with"
    " the liquid: one for strength, one for the panel, two sealed and kept.",
    "Read the temperature of the liquid in the tank, not of the sample; measure strength by density"
    " at a known temperature.",
    "Do not mix with other stock before the arrival panel has answered.",
)


@dataclass(frozen=True, slots=True)
class LetDownLine:
    """Spirit to add by the recipe: its liquid, LPA, strength, amount at the mixing temperature."""

    liquid_id: str
    share_percent: float
    added: Liquor


@dataclass(frozen=True, slots=True)
class Bottling:
    """One product made of the liquid: water, result, bottles, label, corrections.

    Parameters
    ----------
    stages : the water to add, one after the other.
    litres_20c : ready liquid at 20 degC, before the bottling loss.
    low_percent, high_percent : the label's tolerance as strength at 20 degC; None where no
        tolerance is known for the market.
    size_allowed : whether the market permits the bottle's size; None where not known.
    lawful : what the market's rules say of the bottle; None where no market is known.
    corrections : for a batch of the result, by deviation.
    """

    product: Product
    target: Target
    reference: ReferenceTemperature | None
    stages: tuple[Stage, ...]
    litres_20c: float
    bottles: int
    cases: int
    tolerance: LabelTolerance | None
    low_percent: float | None
    high_percent: float | None
    sizes: BottleSizes | None
    size_allowed: bool | None
    corrections: tuple[Correction, ...]
    measured: Correction | None = None
    lawful: Judgement | None = None


@dataclass(frozen=True, slots=True)
class ArrivalPart:
    """One liquid of the load.

    Parameters
    ----------
    loaded, expected : as loaded, and less the loss the lane usually has, at the receiving
        temperature; once it was measured there (``measured``), what was found.
    density, hydrometer_percent, scale_kg : what instruments will show there: density in vacuum
        [kg/m3], glass alcoholometer graduated at 20 degC, net weight on a scale in air (of what
        is expected).
    retained : samples kept of its lots; ``lots`` their names.
    nosing : spirit and water [mL at 20 degC] for the panel's dilution.
    recipe, let_down, blended : where the liquid is let down at the receiver; what is there
        before water is added, less what the recipe loses.
    """

    liquid: Liquid
    made: Liquid
    loaded: Liquor
    expected: Liquor
    loss_percent: float
    density: float
    hydrometer_percent: float
    scale_kg: float
    lots: tuple[str, ...]
    retained: tuple[Sample, ...]
    nosing: tuple[float, float]
    recipe: Recipe | None
    let_down: tuple[LetDownLine, ...]
    blended: Liquor
    blend_contraction: float
    blend_loss_percent: float
    bottlings: tuple[Bottling, ...]
    measured: bool = False


@dataclass(frozen=True, slots=True)
class Arrival:
    """An arrival and reduction sheet."""

    producer: str
    load: LoadRecord
    site: Site
    temperature_c: float
    mixing_c: float
    parts: tuple[ArrivalPart, ...]
    allowance: LossAllowance | None
    chain_head: str
    seals_on: tuple[str, ...] = ()
    sealed: tuple[str, ...] = ()
    held: tuple[str, ...] = ()
    caution: str = FILLING_CAUTION
    cautions: tuple[Statement, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What the receiver asks of a sheet.

    Parameters
    ----------
    temperature_c : of the liquid on arrival; ``mixing_c`` when water is added [degC].
    product : only this one; None: those that the site is to bottle.
    via : strengths to stop at on the way down [% vol at 20 degC].
    measured_percent, batch_litres : a batch measured after its reduction.
    found : by liquid, the LPA and strength [% vol at 20 degC] measured on receipt.
    held : what the load may hold of lots that are held or rejected, in words.
    """

    temperature_c: float = REFERENCE_C
    mixing_c: float = REFERENCE_C
    product: str | None = None
    via: tuple[float, ...] = ()
    measured_percent: float | None = None
    batch_litres: float | None = None
    found: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    held: tuple[str, ...] = ()


def arrival_sheet(
    session: Session, scenario: Scenario, load_id: str, wanted: Wanted | None = None
) -> Arrival:
    """Return the sheet of a load for its receiver.

    Raises
    ------
    InputError
        If load or product is unknown, or a strength to stop at is not on the way.
    OutOfRangeError
        If a temperature or strength lies outside the range of the formula.
    """
    asked = wanted or Wanted()
    load = find_load(session, load_id)
    sites = {one.id: one for one in scenario.sites}
    if load.destination not in sites:
        mend = "Add the site to scenario.yaml."
        found = f"goes to {load.destination}, which scenario.yaml lacks"
        raise InputError(Fault("", 0, f"load {load_id}", found, mend))
    site = sites[load.destination]
    maker = _Maker(session, scenario, load, site, asked)
    code = jurisdiction_of(site.country)
    return Arrival(
        producer=scenario.name,
        load=load,
        site=site,
        temperature_c=asked.temperature_c,
        mixing_c=asked.mixing_c,
        parts=tuple(maker.part(part) for part in load.parts),
        allowance=None if code is None else loss_allowance(code, on=load.arrival_day),
        chain_head=str(head(session)),
        held=asked.held,
        seals_on=seals_on(session, load_id),
        sealed=tuple(
            f"{one.on}: {', '.join(one.seals)}"
            + (f" for {', '.join(one.broken)}" if one.broken else "")
            + f" ({one.reason})"
            for one in sealings_of(session, load_id)
        ),
        cautions=cautions_of("receiving", on=load.arrival_day),
    )


class _Maker:
    """Works out the parts of one sheet."""

    def __init__(
        self, session: Session, scenario: Scenario, load: LoadRecord, site: Site, asked: Wanted
    ) -> None:
        self.session, self.scenario, self.load = session, scenario, load
        self.site, self.asked = site, asked
        self.liquids = {one.id: one for one in scenario.liquids}
        self.code = jurisdiction_of(site.country) or site.market
        self.lane = next((one for one in scenario.lanes if one.id == load.lane_id), None)

    def part(self, part: LoadPart) -> ArrivalPart:
        """Return one liquid's expectations, let-down and bottlings."""
        asked, strength = self.asked, self._strength(part)
        loss = 0.0 if self.lane is None else self.lane.transit_loss_percent
        loaded = liquor(float(part.lpa), strength, asked.temperature_c)
        lpa = float(part.lpa) * (1.0 - loss / 100.0)
        if part.liquid_id in asked.found:
            lpa, strength = asked.found[part.liquid_id]
        expected = liquor(lpa, strength, asked.temperature_c)
        rho = float(density_from_strength(strength, asked.temperature_c))
        recipe, added, step = self._let_down(part, lpa, strength)
        blended = liquor(lpa, strength, asked.mixing_c)
        if recipe is not None and step is not None:
            kept = step.after.lpa * (1.0 - recipe.loss_percent / 100.0)
            blended = liquor(kept, step.after.strength_percent, asked.mixing_c)
        made = self.liquids[part.liquid_id if recipe is None else recipe.makes]
        diluted = reduce_to_volume(NOSING_ML, strength, NOSING_PERCENT)
        names = tuple(share.lot_id for share in part.shares if not share.to_come)
        return ArrivalPart(
            liquid=self.liquids[part.liquid_id],
            made=made,
            loaded=loaded,
            expected=expected,
            loss_percent=loss,
            density=rho,
            hydrometer_percent=float(hydrometer_from_strength(strength, asked.temperature_c)),
            scale_kg=float(weighing_from_mass(expected.mass_kg, rho)),
            lots=names,
            retained=tuple(
                one for name in names for one in kept_samples(self.session, lot_id=name)
            ),
            nosing=(float(diluted.spirit_volume), float(diluted.water_volume)),
            recipe=recipe,
            let_down=added,
            blended=blended,
            blend_contraction=0.0 if step is None else step.contraction_litres,
            blend_loss_percent=0.0 if recipe is None else recipe.loss_percent,
            bottlings=tuple(self._bottling(one, blended) for one in self._products(made)),
            measured=part.liquid_id in asked.found,
        )

    def _strength(self, part: LoadPart) -> float:
        if not part.shares:
            return float(part.strength_percent)
        return mix([(one.lpa, one.strength_percent) for one in part.shares]).strength_percent

    def _let_down(
        self, part: LoadPart, lpa: float, strength: float
    ) -> tuple[Recipe | None, tuple[LetDownLine, ...], Stage | None]:
        recipe = next(
            (
                one
                for one in self.scenario.recipes
                if one.method == "let_down"
                and self.site.id in one.sites
                and part.liquid_id in {i.liquid for i in one.inputs}
                and self.liquids[part.liquid_id].kind == "distillate"
            ),
            None,
        )
        if recipe is None:
            return None, (), None
        shares = {one.liquid: one.share_percent_of_lpa for one in recipe.inputs}
        own = shares.pop(part.liquid_id)
        others = [
            (name, share, lpa * share / own, self.liquids[name].strength_percent)
            for name, share in shares.items()
        ]
        mixing = self.asked.mixing_c
        step = let_down(
            liquor(lpa, strength, mixing), [(more, at) for _, _, more, at in others], mixing
        )
        lines = tuple(
            LetDownLine(name, share, liquor(more, at, mixing)) for name, share, more, at in others
        )
        return recipe, lines, step

    def _products(self, made: Liquid) -> Iterable[Product]:
        listed = {one.id: one for one in self.scenario.products}
        if self.asked.product is not None:
            if self.asked.product not in listed:
                mend = f"The workspace has {', '.join(listed) or 'no products'}."
                found = f"is {self.asked.product!r}, which is not known"
                raise InputError(Fault("", 0, "product", found, mend))
            chosen = listed[self.asked.product]
            return [chosen] if chosen.liquid == made.id else []
        demanded = {
            row.product for row in self.scenario.demand if row.site == self.site.id and row.product
        }
        fitting = [one for one in listed.values() if one.liquid == made.id]
        return [one for one in fitting if one.id in demanded] or fitting

    def _bottling(self, product: Product, spirit: Liquor) -> Bottling:
        asked, day = self.asked, self.load.arrival_day
        # What mends a weak batch is the same spirit undiluted, let down where it was.
        strength = spirit.strength_percent
        reference = self._rule_reference(day)
        celsius = REFERENCE_C if reference is None else reference.celsius
        target = target_of_label(product.strength_percent, celsius)
        stages = reduce_in_stages(spirit, self._way_down(spirit, target), asked.mixing_c)
        result = stages[-1].after
        ready = result.litres_20c * (1.0 - product.bottling_loss_percent / 100.0)
        bottles = int(ready * 1000.0 / product.bottle_ml + 1e-9)
        tolerance = None if self.code is None else label_tolerance(self.code, on=day)
        low, high = _band(product.strength_percent, celsius, tolerance)
        sizes = None if self.code is None else bottle_sizes(self.code, on=day)
        return Bottling(
            product=product,
            target=target,
            reference=reference,
            stages=tuple(stages),
            litres_20c=result.litres_20c,
            bottles=bottles,
            cases=bottles // product.bottles_per_case,
            tolerance=tolerance,
            low_percent=low,
            high_percent=high,
            sizes=sizes,
            size_allowed=None if sizes is None else sizes.allows(product.bottle_ml),
            lawful=None
            if self.code is None
            else judge_product(product, self.liquids[product.liquid], self.code, on=day),
            corrections=tuple(
                correction(
                    result.litres,
                    target.strength_percent + deviation,
                    target.strength_percent,
                    strength,
                    asked.mixing_c,
                )
                for deviation in DEVIATIONS
            ),
            measured=self._measured(target, result, strength),
        )

    def _rule_reference(self, day: date) -> ReferenceTemperature | None:
        return None if self.code is None else reference_temperature(self.code, on=day)

    def _way_down(self, spirit: Liquor, target: Target) -> Sequence[float]:
        way = sorted(self.asked.via, reverse=True)
        for stop in way:
            if not target.strength_percent < stop < spirit.strength_percent:
                found = (
                    f"is {stop:g} % vol, not between {target.strength_percent:.2f} and"
                    f" {spirit.strength_percent:.2f}"
                )
                raise InputError(Fault("", 0, "via", found, "Give strengths on the way down."))
        return [*way, target.strength_percent]

    def _measured(self, target: Target, result: Liquor, strength: float) -> Correction | None:
        if self.asked.measured_percent is None:
            return None
        litres = self.asked.batch_litres or result.litres
        return correction(
            litres,
            self.asked.measured_percent,
            target.strength_percent,
            strength,
            self.asked.mixing_c,
        )


def _band(
    label: float, celsius: float, tolerance: LabelTolerance | None
) -> tuple[float | None, float | None]:
    """Return the label's tolerance as strengths at 20 degC."""
    if tolerance is None:
        return None, None
    width = tolerance.percent_vol(label)
    low = target_of_label(label - width, celsius).strength_percent
    high = target_of_label(label + width, celsius).strength_percent
    if tolerance.drop_only:
        high = target_of_label(label, celsius).strength_percent
    return low, high
