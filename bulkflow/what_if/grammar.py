"""Changes of a workspace, each in one line: ``demand NORFOLK VK-DRY +20% 2027-04``.

A line is a verb and its words; `FORMS` lists them. Every fault of every line is told at once, with
the nearest word that is known. A name with spaces stands in quotes. Nothing is changed in place.
"""

from __future__ import annotations

import calendar
import re
import shlex
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from bulkflow.errors import Fault, InputError
from bulkflow.reading.words import DAY_MEND, did_you_mean
from bulkflow.scenario.lookup import demand_liquid, lpa_per_case
from bulkflow.scenario.model import (
    Closure,
    DemandRow,
    Lane,
    LoadState,
    LotStatus,
    Product,
    Scenario,
)
from bulkflow.wording import amount, counted, percent

__all__ = ["FORMS", "Change", "changed", "read_changes"]

FORMS = {
    "demand": "demand SITE LIQUID AMOUNT [WHEN]",
    "hold": "hold LOT",
    "release": "release LOT",
    "guarantee": "guarantee NAME AMOUNT",
    "delay": "delay LANE DAYS",
    "late": "late LOAD DAYS",
    "blank": "blank LANE DAY",
    "freight": "freight LANE AMOUNT",
    "price": "price SUPPLIER LIQUID AMOUNT",
    "floor": "floor SITE LIQUID AMOUNT",
    "close": "close SITE FIRST-DAY LAST-DAY",
}
"""Every form of a line, by its verb. AMOUNT is a figure, or a change such as +20% or -5000; WHEN a
month, a day of a period, or FIRST..LAST; without it the whole horizon."""

LONGEST = 400
"""Characters of a line; a longer one is no change anybody typed."""

_AMOUNT = re.compile(r"([+-]?)(\d{1,12}(?:\.\d{1,6})?)(%?)")
_AMOUNT_MEND = "Give a figure such as 6500000, or a change such as +20% or -5000."
_WHEN_MEND = "Give a month (2027-04), a day of a period (2027-04-05), or FIRST..LAST."


def _figure(value: float) -> str:
    return f"{value:,.6f}".rstrip("0").rstrip(".")


Act = Callable[[Scenario], Scenario]


@dataclass(frozen=True, slots=True)
class Change:
    """One change: the line as it was given, what it means in words, and how it is made."""

    line: str
    words: str
    make: Act = field(repr=False, compare=False)


@dataclass(frozen=True, slots=True)
class _Amount:
    """A figure, or a change of one by a share or by so much."""

    sign: str
    value: float
    share: bool

    def of(self, before: float) -> float:
        """Return the new figure; never below 0."""
        if not self.sign:
            return self.value
        by = before * self.value / 100.0 if self.share else self.value
        return max(0.0, before - by if self.sign == "-" else before + by)

    @property
    def words(self) -> str:
        if not self.sign:
            return f"is {_figure(self.value)}"
        much = percent(self.value / 100.0) if self.share else _figure(self.value)
        return f"is {much} {'less' if self.sign == '-' else 'more'}"


def read_changes(lines: Sequence[str], scenario: Scenario) -> tuple[Change, ...]:
    """Read changes of a workspace.

    Raises
    ------
    InputError
        With every fault of every line, and the nearest words that are known.
    """
    faults: list[Fault] = []
    found = [change for line in lines if (change := _Line(line, scenario, faults).read())]
    if not lines:
        faults.append(Fault("", 0, "the command", "names no change", f"Give one: {_forms()}."))
    if faults:
        raise InputError(faults)
    return tuple(found)


def changed(scenario: Scenario, changes: Iterable[Change]) -> Scenario:
    """Return the workspace with the changes made, one after the other."""
    for change in changes:
        scenario = change.make(scenario)
    return scenario


def _forms() -> str:
    return "; ".join(FORMS.values())


class _Line:
    """Reads one line; what is wrong goes to the list of faults that all lines share."""

    def __init__(self, text: str, scenario: Scenario, faults: list[Fault]) -> None:
        self.text, self.scenario, self.faults = text[:LONGEST], scenario, faults
        self.wrong = False
        if len(text) > LONGEST or not self.text.isprintable():
            self._fault("is too long, or has marks that nobody types", f"Give {_forms()}.")

    def read(self) -> Change | None:
        """Return the change; None where something is wrong with it."""
        if self.wrong:
            return None
        try:
            verb, *words = shlex.split(self.text) or [""]
        except ValueError:
            self._fault("opens a quote that is not closed", "Close it.")
            return None
        if verb not in FORMS:
            near = did_you_mean(verb, FORMS, f"Give {_forms()}.")
            self._fault(f"begins with {verb!r}, which is no change", near)
            return None
        needed = FORMS[verb].split()[1:]
        least = sum(not one.startswith("[") for one in needed)
        if not least <= len(words) <= len(needed):
            self._fault(f"has {counted(len(words), 'word')} after {verb}", f"Give {FORMS[verb]}.")
            return None
        made = getattr(self, f"_{verb}")(*words)
        if self.wrong or made is None:
            return None
        meaning, act = made
        return Change(self.text, meaning, act)

    # --- verbs ----------------------------------------------------------------------------------

    def _demand(self, site: str, liquid: str, how: str, when: str = "") -> tuple[str, Act] | None:
        by = self._amount(how)
        sites = {row.site for row in self.scenario.demand}
        self._known("site with demand", site, sites)
        here = [row for row in self.scenario.demand if row.site == site]
        self._known("liquid", liquid, {self._liquid_of(row) for row in here} if here else
                    {one.id for one in self.scenario.liquids})  # fmt: skip
        span = self._when(when)
        if by is None or span is None or self.wrong:
            return None
        first, last, said = span
        rows = [
            row
            for row in here
            if self._liquid_of(row) == liquid and first <= row.period_start <= last
        ]
        if not rows:
            days = sorted(row.period_start for row in here if self._liquid_of(row) == liquid)
            self._fault(f"names {said}, in which nothing is asked for",
                        f"It is asked for from {days[0]} to {days[-1]}.")  # fmt: skip
            return None
        # Found again by what it asks for: an earlier change may have made a row anew.
        keys = {(row.site, self._liquid_of(row), row.period_start) for row in rows}

        def make(scenario: Scenario) -> Scenario:
            products = {one.id: one for one in scenario.products}
            rows_now = tuple(
                _demand_row(row, by, products)
                if (row.site, demand_liquid(row, products), row.period_start) in keys
                else row
                for row in scenario.demand
            )
            return scenario.model_copy(update={"demand": rows_now})

        each = "" if by.share else " in each"
        words = f"demand of {liquid} at {site} {by.words}{each}, {said}"
        words += f" ({counted(len(rows), 'row')})"
        return words, make

    def _hold(self, lot: str) -> tuple[str, Act] | None:
        return self._lot(lot, LotStatus.HELD, "is held, and never released")

    def _release(self, lot: str) -> tuple[str, Act] | None:
        return self._lot(lot, LotStatus.RELEASED, "is released now")

    def _lot(self, lot: str, status: LotStatus, words: str) -> tuple[str, Act] | None:
        self._known("lot", lot, [one.lot_id for one in self.scenario.lots])
        note = {"status": status, "decision_due": None, "note": None}
        return f"lot {lot} {words}", _each("lots", "lot_id", lot, note)

    def _guarantee(self, name: str, how: str) -> tuple[str, Act] | None:
        by = self._amount(how)
        limits = {one.id: one.limit for one in self.scenario.guarantees}
        self._known("guarantee", name, limits)
        if by is None or name not in limits:
            return None
        new = by.of(limits[name])
        words = f"guarantee {name} is {amount(new)} instead of {amount(limits[name])}"

        def make(scenario: Scenario) -> Scenario:
            now = {one.id: one.limit for one in scenario.guarantees}
            return _each("guarantees", "id", name, {"limit": by.of(now[name])})(scenario)

        return words, make

    def _delay(self, lane: str, days: str) -> tuple[str, Act] | None:
        late = self._days(days)
        self._known("lane", lane, [one.id for one in self.scenario.lanes])
        if late is None:
            return None

        def make(scenario: Scenario) -> Scenario:
            longer = _lane(scenario, lane, lambda one: {"transit_days": one.transit_days + late})
            loads = tuple(
                row.model_copy(update={"usable_on": row.usable_on + timedelta(days=late)})
                if row.lane == lane and row.usable_on is not None
                else row
                for row in scenario.loads
            )
            return longer.model_copy(update={"loads": loads})

        return f"journeys by {lane} take {counted(late, 'day')} more, those under way too", make

    def _late(self, load: str, days: str) -> tuple[str, Act] | None:
        late = self._days(days)
        coming = {
            row.load_id: row.usable_on
            for row in self.scenario.loads
            if row.state is LoadState.UNDER_WAY and row.usable_on is not None
        }
        self._known("load under way", load, coming)
        if late is None or load not in coming:
            return None
        day = coming[load]
        assert day is not None  # only those with a day are in it

        def make(scenario: Scenario) -> Scenario:
            loads = tuple(
                row.model_copy(update={"usable_on": row.usable_on + timedelta(days=late)})
                if load in (row.load_id, row.in_tank_of) and row.usable_on is not None
                else row
                for row in scenario.loads
            )
            return scenario.model_copy(update={"loads": loads})

        return f"load {load} is usable on {day + timedelta(days=late)} instead of {day}", make

    def _blank(self, lane: str, day: str) -> tuple[str, Act] | None:
        sailing = [one.id for one in self.scenario.lanes if one.sailings is not None]
        self._known("lane with sailings", lane, sailing)
        on = self._day(day)
        if on is None or self.wrong:
            return None
        found = next(one for one in self.scenario.lanes if one.id == lane)
        assert found.sailings is not None  # a lane with sailings
        weekday = found.sailings.weekday
        if f"{on:%A}".lower() != weekday:
            self._fault(f"names {on}, a {on:%A}", f"{lane} sails on {weekday.capitalize()}s.")
            return None

        def make(scenario: Scenario) -> Scenario:
            def without(one: Lane) -> dict[str, object]:
                sails = one.sailings
                assert sails is not None  # as above
                blank = (*sails.blank_days, on)
                return {"sailings": sails.model_copy(update={"blank_days": blank})}

            return _lane(scenario, lane, without)

        return f"nothing sails by {lane} on {on}", make

    def _freight(self, lane: str, how: str) -> tuple[str, Act] | None:
        by = self._amount(how)
        self._known("lane", lane, [one.id for one in self.scenario.lanes])
        if by is None:
            return None

        def make(scenario: Scenario) -> Scenario:
            return _lane(scenario, lane, lambda one: {
                "tanks": tuple(
                    tank.model_copy(update={"cost_per_load": by.of(tank.cost_per_load)})
                    for tank in one.tanks
                )
            })  # fmt: skip

        return f"a load by {lane} {by.words.replace('is ', 'costs ', 1)}", make

    def _price(self, supplier: str, liquid: str, how: str) -> tuple[str, Act] | None:
        by = self._amount(how)
        sold = {one.id: {c.liquid for c in one.contracts} for one in self.scenario.suppliers}
        self._known("supplier", supplier, sold)
        self._known(
            "liquid", liquid, sold.get(supplier) or {one for s in sold.values() for one in s}
        )
        if by is None:
            return None

        def make(scenario: Scenario) -> Scenario:
            suppliers = tuple(
                one
                if one.id != supplier
                else one.model_copy(
                    update={
                        "contracts": tuple(
                            c
                            if c.liquid != liquid
                            else c.model_copy(
                                update={
                                    "tiers": tuple(
                                        tier.model_copy(
                                            update={"price_per_lpa": by.of(tier.price_per_lpa)}
                                        )
                                        for tier in c.tiers
                                    )
                                }
                            )
                            for c in one.contracts
                        )
                    }
                )
                for one in scenario.suppliers
            )
            prices = tuple(
                row.model_copy(update={"price_per_lpa": by.of(row.price_per_lpa)})
                if (row.supplier, row.liquid) == (supplier, liquid)
                else row
                for row in scenario.prices
            )
            return scenario.model_copy(update={"suppliers": suppliers, "prices": prices})

        return f"{liquid} from {supplier} {by.words.replace('is ', 'costs ', 1)} an LPA", make

    def _floor(self, site: str, liquid: str, how: str) -> tuple[str, Act] | None:
        by = self._amount(how)
        places = {(one.site, one.liquid) for one in self.scenario.stock_policies}
        self._known("site with a floor", site, {place for place, _ in places})
        self._known("liquid", liquid, {one for place, one in places if place == site} or
                    {one for _, one in places})  # fmt: skip
        if by is None:
            return None

        def make(scenario: Scenario) -> Scenario:
            policies = tuple(
                one.model_copy(update={"floor_lpa": by.of(one.floor_lpa)})
                if (one.site, one.liquid) == (site, liquid)
                else one
                for one in scenario.stock_policies
            )
            return scenario.model_copy(update={"stock_policies": policies})

        return f"the floor of {liquid} at {site} {by.words}", make

    def _close(self, site: str, first: str, last: str) -> tuple[str, Act] | None:
        self._known("site", site, [one.id for one in self.scenario.sites])
        days = self._day(first), self._day(last)
        if days[0] is None or days[1] is None or self.wrong:
            return None
        if days[1] < days[0]:
            self._fault(f"ends on {last}, before it begins", "Give the first day first.")
            return None
        shut = Closure(first_day=days[0], last_day=days[1], reason="what if")

        def make(scenario: Scenario) -> Scenario:
            now = next(one for one in scenario.sites if one.id == site)
            return _each("sites", "id", site, {"closures": (*now.closures, shut)})(scenario)

        return f"{site} is closed from {first} to {last}", make

    # --- words ----------------------------------------------------------------------------------

    def _known(self, kind: str, word: str, known: Iterable[str]) -> None:
        choices = sorted(set(known))
        if word not in choices:
            self._fault(f"names no {kind} ({word!r})", did_you_mean(word, choices))

    def _amount(self, word: str) -> _Amount | None:
        found = _AMOUNT.fullmatch(word)
        if found is None or (found[3] and not found[1]):
            self._fault(f"has {word!r} for an amount", _AMOUNT_MEND)
            return None
        return _Amount(found[1], float(found[2]), bool(found[3]))

    def _days(self, word: str) -> int | None:
        if not re.fullmatch(r"\+?\d{1,3}", word):
            self._fault(f"has {word!r} for days", "Give whole days, such as 7.")
            return None
        return int(word)

    def _day(self, word: str) -> date | None:
        try:
            if re.fullmatch(r"\d{4}-\d\d-\d\d", word):
                return date.fromisoformat(word)
        except ValueError:
            pass  # such as 30 February: told below like any other word
        self._fault(f"has {word!r} for a day", DAY_MEND)
        return None

    def _when(self, word: str) -> tuple[date, date, str] | None:
        """Return the first and last day that a demand's period may start on, and what that is."""
        if not word:
            return date.min, date.max, "over the whole horizon"
        try:
            if re.fullmatch(r"\d{4}-\d\d", word):
                year, month = int(word[:4]), int(word[5:])
                last = calendar.monthrange(year, month)[1]
                first_day = date(year, month, 1)
                return first_day, date(year, month, last), f"in {first_day:%B %Y}"
            first, dots, end = word.partition("..")
            from_day = date.fromisoformat(first)
            if dots:
                return from_day, date.fromisoformat(end), f"from {first} to {end}"
            period = timedelta(days=self.scenario.calendar.period_days - 1)
            return from_day - period, from_day, f"in the period of {first}"
        except ValueError:
            self._fault(f"has {word!r} for a time", _WHEN_MEND)
            return None

    def _liquid_of(self, row: DemandRow) -> str:
        return demand_liquid(row, {one.id: one for one in self.scenario.products})

    def _fault(self, found: str, mend: str) -> None:
        self.wrong = True
        shown = self.text if self.text.isprintable() else repr(self.text)
        self.faults.append(Fault("", 0, f"change {shown[:60]!r}", found, mend))


def _demand_row(row: DemandRow, by: _Amount, products: Mapping[str, Product]) -> DemandRow:
    """Return a row of demand changed in LPA; one given in cases stays in cases."""
    if row.lpa is not None:
        return row.model_copy(update={"lpa": by.of(row.lpa)})
    case = lpa_per_case(products[row.product or ""])
    return row.model_copy(update={"cases": by.of((row.cases or 0.0) * case) / case})


def _each(rows: str, key: str, name: str, update: Mapping[str, object]) -> Act:
    def make(scenario: Scenario) -> Scenario:
        found = tuple(
            one.model_copy(update=update) if getattr(one, key) == name else one
            for one in getattr(scenario, rows)
        )
        return scenario.model_copy(update={rows: found})

    return make


def _lane(scenario: Scenario, name: str, update: Callable[[Lane], dict[str, object]]) -> Scenario:
    lanes = tuple(
        one.model_copy(update=update(one)) if one.id == name else one for one in scenario.lanes
    )
    return scenario.model_copy(update={"lanes": lanes})
