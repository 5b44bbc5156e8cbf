"""The calendar of the report: loads by lane and week, with dates, their lots and what they carry.

More weeks than fit on a page go in further pictures. What colour tells, a hatch, a key or a word
in the square tells too; each square says on hover what load it is, and leads to its row below.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Callable, Collection, Mapping, Sequence

from bulkflow.program.answer import LoadKind, Plan, PlannedLoad
from bulkflow.report.drawing import (
    GROUND,
    LINE,
    SOFT,
    Drawing,
    shade_of,
    shape,
    square,
    words_at,
)
from bulkflow.report.figures import text_inches
from bulkflow.report.lot_tables import KeyedLot
from bulkflow.report.terms import Terms, english
from bulkflow.wording import amount

__all__ = ["calendar_pictures", "calendar_words", "leaving_loads"]

WEEKS_ACROSS = 13
ROWS_DOWN = 34
# In units of the picture: 760 of them are the printed width of a page.
WIDTH, NAMES = 760.0, 118.0
SQUARES_ACROSS = 3
WEEK = (WIDTH - NAMES) / WEEKS_ACROSS
SQUARE, GAP = 14.6, 1.2
TALL, ROW = 17.0, 21.0
TOP, BOTTOM = 27.0, 20.0
NAME_SIZE, KEY_SIZE = 10.0, 7.6
POINTS_A_UNIT = 0.75
MOST_KEYS = 3  # in one square
UNFILLED = "?"
THICK = "#000000"  # on the fill of a square, in a dark page too

Links = Callable[[str], str]


def leaving_loads(plan: Plan) -> list[PlannedLoad]:
    """Return the loads that leave in the quarter, by loading day."""
    loads = [
        load
        for load in plan.loads
        if load.kind is not LoadKind.UNDER_WAY and load.period <= plan.quarter_periods
    ]
    return sorted(loads, key=lambda load: (load.loading_day, load.lane, load.load_id))


def calendar_words(plan: Plan, keyed: Mapping[str, KeyedLot]) -> str:
    """Return the calendar in words: lane by lane, the loads of each week and their lots."""
    lots_of = _lots_of(keyed)
    lines = []
    loads = sorted(leaving_loads(plan), key=lambda load: (load.lane, load.period))
    for lane, on_lane in itertools.groupby(loads, key=lambda load: load.lane):
        weeks = []
        for week, found in itertools.groupby(on_lane, key=lambda load: load.period):
            here = list(found)
            lots = sorted({lot for load in here for lot in lots_of.get(load.load_id, ())})
            named = f" ({', '.join(lots)})" if lots else ""
            weeks.append(f"{week}: {len(here)}{named}")
        lines.append(f"{lane}, {'; '.join(weeks)}")
    return ". ".join(lines)


def calendar_pictures(
    plan: Plan,
    keyed: Mapping[str, KeyedLot],
    unfilled: Collection[str] = (),
    *,
    name: str,
    title: str,
    description: str,
    say: Terms | None = None,
    link: Links | None = None,
) -> list[str]:
    """Return loads as squares in a grid of lanes and weeks, keys of their lots inside, as SVG.

    Parameters
    ----------
    unfilled : loads for which no lots were found: a question mark stands in them.
    link : gives the place on the page where a load is told in full; None for a picture alone.
    """
    loads = leaving_loads(plan)
    keys = {load: [keyed[lot].key for lot in lots] for load, lots in _lots_of(keyed).items()}
    keys |= {load: [UNFILLED] for load in unfilled}
    cells: dict[tuple[str, int], list[PlannedLoad]] = defaultdict(list)
    for load in loads:
        cells[load.lane, load.period].append(load)
    sheet = _Sheet(plan, cells, keys, _lots_of(keyed), say or english(), link)
    drawn: list[str] = []
    for weeks in _blocks(plan.quarter_periods):
        for rows in _pages(cells, weeks):
            told = {"name": f"{name}{len(drawn)}", "title": title, "description": description}
            drawn.append(sheet.draw(rows, weeks, told))
    return drawn


def _pages(
    cells: Mapping[tuple[str, int], Sequence[PlannedLoad]], weeks: range
) -> list[dict[str, int]]:
    """Return lanes with the rows each needs, parted so that a picture fits on a page."""
    pages: list[dict[str, int]] = []
    for lane in sorted({lane for lane, week in cells if week in weeks}):
        most = max(len(cells.get((lane, week), ())) for week in weeks)
        rows = -(-most // SQUARES_ACROSS)
        if not pages or sum(pages[-1].values()) + rows > ROWS_DOWN:
            pages.append({})
        pages[-1][lane] = rows
    return pages


def _lots_of(keyed: Mapping[str, KeyedLot]) -> dict[str, list[str]]:
    """Return the lots in each load, in the order of their keys."""
    lots: dict[str, list[str]] = defaultdict(list)
    for lot, one in keyed.items():
        for load in one.loads:
            lots[load].append(lot)
    return lots


def _blocks(quarter: int) -> list[range]:
    """Return runs of weeks of about equal length, none longer than fits across a page."""
    count = -(-quarter // WEEKS_ACROSS)
    length = -(-quarter // count)
    return [
        range(first, min(first + length, quarter + 1)) for first in range(1, quarter + 1, length)
    ]


class _Sheet:
    """What all pictures of one calendar share."""

    def __init__(
        self,
        plan: Plan,
        cells: Mapping[tuple[str, int], Sequence[PlannedLoad]],
        keys: Mapping[str, Sequence[str]],
        lots: Mapping[str, Sequence[str]],
        say: Terms,
        link: Links | None,
    ) -> None:
        self.plan, self.cells, self.keys, self.lots = plan, cells, keys, lots
        self.say, self.link = say, link
        # Every liquid that any load carries, so that a liquid looks the same in all pictures.
        self.liquids = sorted({part.liquid for load in plan.loads for part in load.parts})

    def draw(self, rows: Mapping[str, int], weeks: range, told: Mapping[str, str]) -> str:
        """Return the picture of some lanes and weeks."""
        low = TOP + sum(rows.values()) * ROW
        drawing = Drawing(WIDTH, low + BOTTOM, has_links=self.link is not None, **told)
        self._head(drawing, weeks, low)
        top = TOP
        for lane, count in rows.items():
            tall = count * ROW
            drawing.add(words_at(NAMES - 8, top + tall / 2 + 3.5, lane, text_anchor="end",
                                 font_size=_fitting(lane)))  # fmt: skip
            for week in weeks:
                for place, load in enumerate(self.cells.get((lane, week), ())):
                    left = _left(weeks, week) + 1.6 + place % SQUARES_ACROSS * (SQUARE + GAP)
                    self._load(drawing, load, left, top + 2 + place // SQUARES_ACROSS * ROW)
            top += tall
            drawing.add(shape("path", d=f"M{NAMES} {top:g}H{_left(weeks, weeks.stop):.1f}",
                              stroke=LINE, stroke_width=0.8))  # fmt: skip
        here = (load for (lane, week), found in self.cells.items()
                if lane in rows and week in weeks for load in found)  # fmt: skip
        self._legend(drawing, sorted({part.liquid for load in here for part in load.parts}), low)
        return drawing.text()

    def _head(self, drawing: Drawing, weeks: range, low: float) -> None:
        for week in weeks:
            middle = _left(weeks, week) + WEEK / 2
            day = self.say.day(self.plan.period_starts[week - 1])
            drawing.add(
                words_at(middle, 10, day, text_anchor="middle", font_size=NAME_SIZE),
                words_at(middle, 21, str(week), text_anchor="middle", font_size=8, fill=SOFT),
            )
        edges = (_left(weeks, week) for week in (*weeks, weeks.stop))
        lines = "".join(f"M{edge:.1f} {TOP:g}V{low:g}" for edge in edges)
        lines += f"M{NAMES} {TOP:g}H{_left(weeks, weeks.stop):.1f}"
        drawing.add(shape("path", d=lines, stroke=LINE, stroke_width=0.8))

    def _load(self, drawing: Drawing, load: PlannedLoad, left: float, top: float) -> None:
        share = TALL / len(load.parts)
        parts = [
            square(left, top + place * share, SQUARE, share, shade_of(self.liquids, part.liquid))
            for place, part in enumerate(load.parts)
        ]
        if load.kind is not LoadKind.PLANNED:
            inside = {"x": left + 1.3, "y": top + 1.3, "width": SQUARE - 2.6, "height": TALL - 2.6}
            parts.append(shape("rect", "", **inside, fill="none", stroke=THICK, stroke_width=2.6))
        keys = _shown(self.keys.get(load.load_id, ()))
        parts += _key(keys, left + SQUARE / 2, top + TALL / 2)
        link = self.link(load.load_id) if self.link else ""
        drawing.told(self._words(load), *parts, link=link, seen=" ".join(keys))

    def _words(self, load: PlannedLoad) -> str:
        carried = ", ".join(f"{part.liquid} {amount(part.lpa)} LPA" for part in load.parts)
        lots = ", ".join(self.lots.get(load.load_id, ()))
        return self.say(
            "load_words",
            load=load.load_id,
            carried=carried,
            loading=load.loading_day.isoformat(),
            usable=load.usable_day.isoformat(),
            kind=self.say(f"kind_{load.kind.value}"),
            lots=lots or self.say("none"),
        )

    def _legend(self, drawing: Drawing, shown: Sequence[str], low: float) -> None:
        """Name the shades below the picture."""
        widths = [_units(liquid, NAME_SIZE) + 34 for liquid in shown]
        squeeze = min(1.0, WIDTH / max(sum(widths), 1.0))
        at = 1.0
        for liquid, width in zip(shown, widths, strict=True):
            drawing.add(
                square(at, low + 6, 13, 11, shade_of(self.liquids, liquid)),
                words_at(at + 18, low + 15, liquid, font_size=NAME_SIZE * squeeze),
            )
            at += width * squeeze


def _left(weeks: range, week: int) -> float:
    return NAMES + (week - weeks.start) * WEEK


def _units(words: str, size: float) -> float:
    return text_inches(words, size * POINTS_A_UNIT) * 96.0


def _fitting(words: str) -> float:
    """Return the size at which a name fits beside the grid."""
    return NAME_SIZE * min(1.0, (NAMES - 10) / max(_units(words, NAME_SIZE), 1.0))


def _shown(keys: Sequence[str]) -> list[str]:
    return list(keys) if len(keys) <= MOST_KEYS else [*keys[: MOST_KEYS - 1], "…"]


def _key(shown: Sequence[str], x: float, y: float) -> list[str]:
    if not shown:
        return []
    size = KEY_SIZE if len(shown) == 1 else 6.6 if len(shown) == 2 else 5.4
    tall = len(shown) * size
    wide = max(_units(key, size) for key in shown) + 1.4
    plate = shape("rect", x=x - wide / 2, y=y - tall / 2 - 0.4, width=wide, height=tall + 0.8,
                  fill=GROUND)  # fmt: skip
    # The blank after each key keeps two of them apart for whoever hears or copies them.
    words = (
        words_at(x, y - tall / 2 + (place + 0.82) * size, f"{key} ", text_anchor="middle",
                 font_size=size)
        for place, key in enumerate(shown)
    )  # fmt: skip
    return [plate, *words]
