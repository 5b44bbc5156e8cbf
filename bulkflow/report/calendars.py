"""Calendars of the report: loads by lane and week with their lots, and what each tank holds.

More weeks than fit on a page go in further pictures. What colour tells, a hatch, a key or a word
in the square tells too.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from bulkflow.program.answer import LoadKind, Plan, PlannedLoad
from bulkflow.report.figures import INK, Shade, shade_of, svg_text, text_inches
from bulkflow.report.lot_tables import KeyedLot, TankSpell

__all__ = ["calendar_pictures", "calendar_words", "leaving_loads", "tank_pictures"]

WEEKS_ACROSS = 13
TANKS_DOWN = 36
ROWS_DOWN = 20
WIDTH = 8.2  # inches, the printed width of a page
NAMES = 1.55  # inches left for the names of lanes and tanks
SMALLEST_WEEKS = 6  # fewer weeks are drawn as narrow as these would be
SQUARES_ACROSS = 3
SQUARE = 0.29  # of a week
ROW = 0.38  # inches
TANK_ROW = 0.19
TOP, BOTTOM = 0.28, 0.4
MOST_KEYS = 3  # in one square
UNFILLED = "?"
GRID = "#dfe3e7"


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


def _liquids_drawn(plan: Plan) -> list[str]:
    """Return every liquid of either calendar, so that a liquid looks the same in both."""
    carried = {part.liquid for load in plan.loads for part in load.parts}
    return sorted(carried | {row.liquid for row in plan.tank_settings})


def calendar_pictures(
    plan: Plan,
    keyed: Mapping[str, KeyedLot],
    unfilled: Collection[str] = (),
    *,
    name: str,
    title: str,
    description: str,
) -> list[str]:
    """Return loads as squares in a grid of lanes and weeks, keys of their lots inside, as SVG.

    ``unfilled`` are loads for which no lots were found: a question mark stands in them.
    """
    loads = leaving_loads(plan)
    liquids = _liquids_drawn(plan)
    keys = {load: [keyed[lot].key for lot in lots] for load, lots in _lots_of(keyed).items()}
    keys |= {load: [UNFILLED] for load in unfilled}
    drawn: list[str] = []
    for weeks in _blocks(plan.quarter_periods):
        cells: dict[tuple[str, int], list[PlannedLoad]] = defaultdict(list)
        for load in loads:
            if load.period in weeks:
                cells[load.lane, load.period].append(load)
        for rows in _pages(cells, weeks):
            words = (f"{name}{len(drawn)}", title, description)
            drawn.append(_calendar(cells, rows, weeks, liquids, keys, words))
    return drawn


def _pages(
    cells: Mapping[tuple[str, int], Sequence[PlannedLoad]], weeks: range
) -> list[dict[str, int]]:
    """Return lanes with the rows each needs, parted so that a picture fits on a page."""
    pages: list[dict[str, int]] = []
    for lane in sorted({lane for lane, _ in cells}):
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


def _calendar(
    cells: Mapping[tuple[str, int], Sequence[PlannedLoad]],
    rows: Mapping[str, int],
    weeks: range,
    liquids: Sequence[str],
    keys: Mapping[str, Sequence[str]],
    words: tuple[str, str, str],
) -> str:
    figure, axes = _grid(weeks, sum(rows.values()), ROW)
    at = 0
    for lane in rows:
        for week in weeks:
            _cell(axes, cells.get((lane, week), ()), week, at, liquids, keys)
        _name(axes, weeks, lane, at + rows[lane] / 2)
        at += rows[lane]
        axes.axhline(at, color=GRID, linewidth=0.6, zorder=0)
    shown = {part.liquid for found in cells.values() for load in found for part in load.parts}
    _legend(figure, sorted(shown), liquids)
    name, title, description = words
    return svg_text(figure, name=name, title=title, description=description)


def _grid(weeks: range, rows: int, row_inches: float) -> tuple[Figure, Axes]:
    """Return a figure with a grid of weeks across and rows down, in units of both."""
    height = rows * row_inches + TOP + BOTTOM
    figure = Figure(figsize=(WIDTH, height))
    across = (WIDTH - NAMES - 0.05) * min(1.0, max(len(weeks), SMALLEST_WEEKS) / WEEKS_ACROSS)
    across *= len(weeks) / max(len(weeks), SMALLEST_WEEKS)
    axes = figure.add_axes(
        (NAMES / WIDTH, BOTTOM / height, across / WIDTH, rows * row_inches / height)
    )
    axes.set_xlim(weeks.start - 0.5, weeks.stop - 0.5)
    axes.set_ylim(max(rows, 1), 0)
    axes.axis("off")
    for week in weeks:
        axes.axvline(week + 0.5, color=GRID, linewidth=0.6, zorder=0)
        axes.text(week, -0.06 / row_inches, str(week), ha="center", va="bottom", fontsize=7,
                  color=INK)  # fmt: skip
    axes.axhline(0, color=GRID, linewidth=0.6, zorder=0)
    return figure, axes


def _name(axes: Axes, weeks: range, words: str, at: float) -> None:
    size = 7.0 * min(1.0, (NAMES - 0.1) / max(text_inches(words, 7.0), 0.01))
    axes.annotate(
        words, (weeks.start - 0.5, at), xytext=(-4, 0), textcoords="offset points", ha="right",
        va="center", fontsize=size, color=INK, annotation_clip=False,
    )  # fmt: skip


def _cell(
    axes: Axes,
    loads: Sequence[PlannedLoad],
    week: int,
    at: int,
    liquids: Sequence[str],
    keys: Mapping[str, Sequence[str]],
) -> None:
    for place, load in enumerate(loads):
        left = week - 0.47 + (SQUARE + 0.03) * (place % SQUARES_ACROSS)
        top = at + 0.1 + place // SQUARES_ACROSS
        share = 0.8 / len(load.parts)
        for part_at, part in enumerate(load.parts):
            shade = shade_of(liquids, part.liquid)
            axes.add_patch(_square((left, top + part_at * share), SQUARE, share, shade))
        if load.kind is not LoadKind.PLANNED:
            axes.add_patch(
                Rectangle((left, top), SQUARE, 0.8, fill=False, edgecolor=INK, linewidth=1.8)
            )
        _keys(axes, keys.get(load.load_id, ()), left + SQUARE / 2, top + 0.4)


def _keys(axes: Axes, keys: Sequence[str], x: float, y: float) -> None:
    if not keys:
        return
    shown = list(keys) if len(keys) <= MOST_KEYS else [*keys[: MOST_KEYS - 1], "…"]
    axes.text(
        x, y, "\n".join(shown), ha="center", va="center", fontsize=6.0 if len(shown) < 3 else 4.8,
        linespacing=0.95, color=INK, zorder=5,
        bbox={"boxstyle": "square,pad=0.08", "facecolor": "white", "edgecolor": "none"},
    )  # fmt: skip


def _square(corner: tuple[float, float], width: float, height: float, shade: Shade) -> Rectangle:
    return Rectangle(
        corner, width, height, facecolor=shade.fill, edgecolor=INK, linewidth=0.5,
        hatch=shade.hatch,
    )  # fmt: skip


def _legend(figure: Figure, shown: Sequence[str], liquids: Sequence[str]) -> None:
    """Name the shades below a picture, at most eight to a line's width."""
    height = float(figure.get_size_inches()[1])
    axes = figure.add_axes((0.02, 0.0, 0.96, 0.3 / height))
    axes.set_xlim(0, WIDTH * 0.96)
    axes.set_ylim(0, 1)
    axes.axis("off")
    widths = [text_inches(liquid, 7.0) + 0.42 for liquid in shown]
    squeeze = min(1.0, WIDTH * 0.96 / max(sum(widths), 0.01))
    at = 0.0
    for liquid, width in zip(shown, widths, strict=True):
        shade = shade_of(liquids, liquid)
        axes.add_patch(_square((at, 0.2), 0.16 * squeeze, 0.6, shade))
        axes.text(at + 0.22 * squeeze, 0.5, liquid, fontsize=7 * squeeze, va="center", color=INK)
        at += width * squeeze


def tank_pictures(
    spells: Sequence[TankSpell], plan: Plan, *, name: str, title: str, description: str
) -> list[str]:
    """Return what each tank holds by week, as SVG; a thick edge marks a change of liquid."""
    quarter, liquids = plan.quarter_periods, _liquids_drawn(plan)
    tanks = sorted({(one.site, one.tank) for one in spells})
    starts = range(0, len(tanks), TANKS_DOWN)
    return [
        _tanks(
            spells, tanks[start : start + TANKS_DOWN], quarter, liquids,
            (f"{name}{start}", title, description),
        )
        for start in starts
    ]  # fmt: skip


def _tanks(
    spells: Sequence[TankSpell],
    tanks: Sequence[tuple[str, str]],
    quarter: int,
    liquids: Sequence[str],
    words: tuple[str, str, str],
) -> str:
    weeks = range(1, quarter + 1)
    figure, axes = _grid(weeks, len(tanks), TANK_ROW)
    week_inches = (WIDTH - NAMES) / max(len(weeks), WEEKS_ACROSS)
    for row, (site, tank) in enumerate(tanks):
        _name(axes, weeks, f"{site} {tank}", row + 0.5)
        for one in spells:
            if (one.site, one.tank) != (site, tank):
                continue
            left, long = one.first - 0.5, one.last - one.first + 1
            shade = shade_of(liquids, one.liquid)
            axes.add_patch(_square((left, row + 0.1), long, 0.8, shade))
            if one.changed:
                axes.plot([left, left], [row, row + 1], color=INK, linewidth=3)
            if text_inches(one.liquid, 5.5) + 0.1 < long * week_inches:
                axes.text(
                    left + long / 2, row + 0.5, one.liquid, fontsize=5.5, ha="center",
                    va="center", color=INK, zorder=5,
                    bbox={"boxstyle": "square,pad=0.12", "facecolor": "white",
                          "edgecolor": "none"},
                )  # fmt: skip
    _legend(figure, sorted({one.liquid for one in spells}), liquids)
    name, title, description = words
    return svg_text(figure, name=name, title=title, description=description)
