"""Pictures of a quantity over the horizon: stock, demand and what serves it, duty at risk.

Each is a strip for one row of a table. They share one axis of days, told once in the head of the
table; every period says its figures on hover.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from bulkflow.plan.summary import NOTHING_LPA
from bulkflow.plan.views import ServedAt
from bulkflow.program.answer import GuaranteeUse, Plan
from bulkflow.report.drawing import ALARM, FAINT, INK, LINE, MARK, SOFT, Drawing, shape, words_at
from bulkflow.report.terms import Terms
from bulkflow.wording import amount, money

__all__ = ["Series", "Strips", "stock_series"]

WIDE, TALL, LOW = 300.0, 30.0, 28.0  # a strip in units, and where its nought is
AXIS_TALL = 18.0
AXIS_SIZE = 15.0
LEAST_APART = 56.0  # units between two days on the axis


@dataclass(frozen=True, slots=True)
class Series:
    """Released stock of a liquid at a site: period 0 is the opening. ``room_lpa`` may be None."""

    site: str
    liquid: str
    lpa: tuple[float, ...]
    floor_lpa: float
    room_lpa: float | None


def stock_series(
    plan: Plan, floors: Mapping[tuple[str, str], float], rooms: Mapping[tuple[str, str], float]
) -> list[Series]:
    """Return stock by site and liquid over the horizon, summed over origin classes."""
    periods = len(plan.period_starts)
    found: dict[tuple[str, str], np.ndarray] = defaultdict(lambda: np.zeros(periods + 1))
    for row in plan.stocks:
        found[row.site, row.liquid][row.period] += row.released_lpa
    return [
        Series(*key, tuple(float(one) for one in found[key]), floors.get(key, 0.0), rooms.get(key))
        for key in sorted(found)
        if found[key].any() or floors.get(key)
    ]


class Strips:
    """Strips over the horizon of one plan, in the words of one language."""

    def __init__(self, plan: Plan, say: Terms) -> None:
        self.plan, self.say = plan, say
        self.step = WIDE / len(plan.period_starts)

    def axis(self) -> str:
        """Return the axis of days; decoration, since each strip says its days itself."""
        drawing = [self._months(0.0, AXIS_TALL, LINE)]
        last = -LEAST_APART
        for place, day in enumerate(self.plan.period_starts):
            left = place * self.step
            new_month = place == 0 or day.month != self.plan.period_starts[place - 1].month
            if new_month and left - last >= LEAST_APART and left < WIDE - LEAST_APART / 2:
                said = self.say.day(day)
                drawing.append(words_at(left + 2, 13, said, font_size=AXIS_SIZE, fill=SOFT))
                last = left
        box = f"0 0 {WIDE:g} {AXIS_TALL:g}"
        return shape("svg", "".join(drawing), viewBox=box, aria_hidden="true", class_="strip")

    def stock(self, series: Series, *, name: str) -> str:
        """Return stock at the end of each period, against floor (dashed) and room (dotted)."""
        top = max(*series.lpa, series.floor_lpa) * 1.12 or 1.0
        if series.room_lpa is not None and series.room_lpa < 2.5 * top:
            top = max(top, series.room_lpa * 1.05)
        description = self.say(
            "stock_alt",
            liquid=series.liquid,
            site=series.site,
            opening=amount(series.lpa[0]),
            end=amount(series.lpa[-1]),
            floor=amount(series.floor_lpa),
            room=self._room(series),
        )
        drawing = self._strip(name, f"{series.site}, {series.liquid}", description)
        line = "L".join(f"{place * self.step:.1f} {LOW - LOW * lpa / top:.1f}"
                        for place, lpa in enumerate(series.lpa))  # fmt: skip
        drawing.add(shape("path", d=f"M{line}", fill="none", stroke=MARK, stroke_width=1.8))
        if series.floor_lpa > 0:
            drawing.add(_level(LOW - LOW * series.floor_lpa / top, INK, "5 3"))
        if series.room_lpa is not None and series.room_lpa <= top:
            drawing.add(_level(LOW - LOW * series.room_lpa / top, INK, "1 2"))
        for place, lpa in enumerate(series.lpa[1:], start=1):
            low = lpa < series.floor_lpa - NOTHING_LPA
            mark = shape("circle", cx=place * self.step, cy=LOW - LOW * lpa / top, r=2.2,
                         fill=ALARM) if low else ""  # fmt: skip
            words = self.say("stock_words", day=self._week(place), lpa=amount(lpa),
                             floor=amount(series.floor_lpa), room=self._room(series))  # fmt: skip
            drawing.told(words, self._place(place), mark)
        return drawing.text()

    def _room(self, series: Series) -> str:
        return self.say("none") if series.room_lpa is None else amount(series.room_lpa)

    def served(self, found: ServedAt, *, name: str) -> str:
        """Return demand of each period as a frame, what serves it as a bar, what is open in red."""
        top = max(*found.demand_lpa, *found.served_lpa, *found.open_lpa) * 1.05 or 1.0
        description = self.say(
            "served_alt",
            liquid=found.liquid,
            site=found.site,
            demand=amount(sum(found.demand_lpa)),
            served=amount(sum(found.served_lpa)),
        )
        drawing = self._strip(name, f"{found.site}, {found.liquid}", description)
        rows = zip(found.demand_lpa, found.served_lpa, found.open_lpa, strict=True)
        for place, (demand, served, still_open) in enumerate(rows, start=1):
            words = self.say("served_words", day=self._week(place), demand=amount(demand),
                             served=amount(served), open=amount(still_open))  # fmt: skip
            drawing.told(
                words,
                self._place(place),
                self._bar(place, served / top, 0.62, fill=MARK),
                self._bar(place, demand / top, 0.82, fill="none", stroke=INK, stroke_width=0.8),
                self._bar(place, still_open / top, 0.3, fill=ALARM)
                if still_open > NOTHING_LPA
                else "",
            )
        return drawing.text()

    def at_risk(self, rows: Sequence[GuaranteeUse], *, name: str) -> str:
        """Return duty at risk of each period as a bar against the limit (dotted)."""
        most = max(rows, key=lambda row: row.used)
        top = max(*(row.limit for row in rows), most.used) * 1.08 or 1.0
        drawing = self._strip(name, rows[0].guarantee, self.say(
            "risk_alt", guarantee=most.guarantee, most=money(most.used), limit=money(most.limit),
            currency=self.plan.currency, week=most.period))  # fmt: skip
        for row in rows:
            words = self.say("risk_words", day=self._week(row.period), used=money(row.used),
                             limit=money(row.limit), currency=self.plan.currency)  # fmt: skip
            fill = ALARM if row.used > row.limit else MARK
            bar = self._bar(row.period, row.used / top, 0.72, fill=fill)
            drawing.told(words, self._place(row.period), bar)
        drawing.add(_level(LOW - LOW * rows[0].limit / top, INK, "1 2"))
        return drawing.text()

    def _strip(self, name: str, title: str, description: str) -> Drawing:
        drawing = Drawing(WIDE, TALL, name=name, title=title, description=description)
        after = self.plan.quarter_periods * self.step
        drawing.add(
            shape("rect", x=after, y=0.0, width=WIDE - after, height=TALL, fill=FAINT),
            self._months(0.0, TALL, LINE),
            _level(LOW, SOFT, None),
        )
        return drawing

    def _months(self, top: float, low: float, colour: str) -> str:
        starts = self.plan.period_starts
        lines = "".join(
            f"M{place * self.step:.1f} {top:g}V{low:g}"
            for place, day in enumerate(starts)
            if place == 0 or day.month != starts[place - 1].month
        )
        return shape("path", d=lines, stroke=colour, stroke_width=0.7)

    def _place(self, period: int) -> str:
        """Return the unseen ground of a period, for words on hover."""
        return shape("rect", x=(period - 1) * self.step, y=0.0, width=self.step, height=TALL,
                     fill="none", pointer_events="all")  # fmt: skip

    def _bar(self, period: int, share: float, width: float, **paint: str | float) -> str:
        wide = self.step * width
        left = (period - 1) * self.step + (self.step - wide) / 2
        at = {"x": left, "y": LOW - LOW * share, "width": wide, "height": LOW * share}
        return shape("rect", "", **at, **paint)

    def _week(self, period: int) -> str:
        return self.say("week_of", day=self.say.day(self.plan.period_starts[period - 1]))


def _level(y: float, colour: str, dashes: str | None) -> str:
    return shape("path", d=f"M0 {y:.1f}H{WIDE:g}", stroke=colour, stroke_width=1.0,
                 stroke_dasharray=dashes)  # fmt: skip
