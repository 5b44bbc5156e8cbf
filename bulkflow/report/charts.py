"""Charts of the report: stock by site and liquid, duty at risk, the calendar of loads."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import FuncFormatter, MaxNLocator

from bulkflow.program.answer import LoadKind, Plan, PlannedLoad
from bulkflow.report.figures import INK, Shade, shade_of, svg_text

__all__ = ["Series", "calendar_picture", "risk_picture", "stock_picture", "stock_series"]

GREY = "#9aa3ad"
AFTER = "#eef0f2"
ALARM = "#b3261e"


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


def stock_picture(series: Series, quarter: int, *, name: str, title: str, description: str) -> str:
    """Return the line of one stock against its floor and room, as SVG."""
    figure = Figure(figsize=(3.1, 1.55))
    axes = figure.add_axes((0.17, 0.17, 0.8, 0.69))
    weeks = np.arange(len(series.lpa))
    axes.axvspan(quarter, len(series.lpa) - 1, color=AFTER, zorder=0)
    axes.plot(weeks, series.lpa, color="#0b4f6c", linewidth=1.6, zorder=3)
    low = [max(0.0, series.floor_lpa - one) for one in series.lpa]
    if series.floor_lpa > 0:
        axes.axhline(series.floor_lpa, color=INK, linewidth=0.9, linestyle=(0, (5, 3)))
        below = [t for t, short in enumerate(low) if short > 0.5 and t > 0]
        axes.plot(below, [series.lpa[t] for t in below], "o", color=ALARM, markersize=3, zorder=4)
    top = max(*series.lpa, series.floor_lpa) * 1.15 or 1.0
    if series.room_lpa is not None and series.room_lpa < 2.5 * top:
        axes.axhline(series.room_lpa, color=INK, linewidth=1.1, linestyle=(0, (1, 1.6)))
        top = max(top, series.room_lpa * 1.08)
    axes.set_xlim(0, len(series.lpa) - 1)
    axes.set_ylim(0, top)
    _plain(axes)
    axes.set_title(f"{series.site} · {series.liquid}", fontsize=7.5, color=INK, loc="left", pad=3)
    return svg_text(figure, name=name, title=title, description=description)


def risk_picture(
    used: Sequence[float], limit: float, quarter: int, *, name: str, title: str, description: str
) -> str:
    """Return bars of duty at risk by period against the limit, as SVG."""
    figure = Figure(figsize=(6.4, 1.7))
    axes = figure.add_axes((0.1, 0.16, 0.88, 0.72))
    weeks = np.arange(1, len(used) + 1)
    axes.axvspan(quarter + 0.5, len(used) + 0.5, color=AFTER, zorder=0)
    axes.bar(weeks, used, width=0.72, color="#0b4f6c", zorder=2)
    axes.axhline(limit, color=INK, linewidth=1.1, linestyle=(0, (1, 1.6)), zorder=3)
    axes.set_xlim(0.5, len(used) + 0.5)
    axes.set_ylim(0, max(limit, max(used, default=0.0)) * 1.1 or 1.0)
    _plain(axes)
    axes.set_title(title, fontsize=8, color=INK, loc="left", pad=3)
    return svg_text(figure, name=name, title=title, description=description)


def calendar_picture(plan: Plan, *, name: str, title: str, description: str) -> str:
    """Return loads as squares in a grid of lanes and weeks of the quarter, as SVG."""
    loads = [
        load
        for load in plan.loads
        if load.kind is not LoadKind.UNDER_WAY and load.period <= plan.quarter_periods
    ]
    lanes = sorted({load.lane for load in loads})
    liquids = sorted({part.liquid for load in plan.loads for part in load.parts})
    cells: dict[tuple[str, int], list[PlannedLoad]] = defaultdict(list)
    for load in loads:
        cells[load.lane, load.period].append(load)
    most = {lane: max(len(v) for (a, _), v in cells.items() if a == lane) for lane in lanes}
    rows = {lane: 1 + (most[lane] - 1) // 4 for lane in lanes}
    height = sum(rows.values())
    figure = Figure(figsize=(8.2, 0.30 * height + 0.95))
    axes = figure.add_axes(
        (0.19, 0.62 / (0.30 * height + 0.95), 0.8, 0.30 * height / (0.30 * height + 0.95))
    )
    at = 0.0
    for lane in lanes:
        for week in range(1, plan.quarter_periods + 1):
            _cell(axes, cells[lane, week], week, at, liquids)
        axes.axhline(at, color="#d5dade", linewidth=0.6, zorder=0)
        axes.text(0.42, at + rows[lane] / 2, lane, ha="right", va="center", fontsize=7, color=INK)
        at += rows[lane]
    axes.set_xlim(0.5, plan.quarter_periods + 0.5)
    axes.set_ylim(height, 0)
    for week in range(1, plan.quarter_periods + 1):
        axes.axvline(week + 0.5, color="#e6e9ec", linewidth=0.6, zorder=0)
        axes.text(week, -0.15, str(week), ha="center", va="bottom", fontsize=7, color=INK)
    axes.axis("off")
    _legend(figure, liquids)
    return svg_text(figure, name=name, title=title, description=description)


def _cell(
    axes: Axes, loads: Sequence[PlannedLoad], week: int, at: float, liquids: Sequence[str]
) -> None:
    for place, load in enumerate(loads):
        left = week - 0.46 + 0.235 * (place % 4)
        top = at + 0.16 + (place // 4)
        share = 0.68 / len(load.parts)
        for part_at, part in enumerate(load.parts):
            shade = shade_of(liquids, part.liquid)
            _square(axes, left, top + part_at * share, share, shade)
        if load.kind is not LoadKind.PLANNED:
            axes.add_patch(
                Rectangle((left, top), 0.2, 0.68, fill=False, edgecolor=INK, linewidth=1.6)
            )


def _square(axes: Axes, left: float, top: float, height: float, shade: Shade) -> None:
    axes.add_patch(
        Rectangle(
            (left, top), 0.2, height, facecolor=shade.fill, edgecolor=INK, linewidth=0.5,
            hatch=shade.hatch,
        )
    )  # fmt: skip


def _legend(figure: Figure, liquids: Sequence[str]) -> None:
    axes = figure.add_axes((0.19, 0.0, 0.8, 0.5 / float(figure.get_size_inches()[1])))
    axes.set_xlim(0, max(6, len(liquids)))
    axes.set_ylim(0, 1)
    axes.axis("off")
    for place, liquid in enumerate(liquids):
        shade = shade_of(liquids, liquid)
        axes.add_patch(
            Rectangle((place, 0.3), 0.13, 0.45, facecolor=shade.fill, edgecolor=INK,
                      linewidth=0.5, hatch=shade.hatch)
        )  # fmt: skip
        axes.text(place + 0.18, 0.5, liquid, fontsize=7, va="center", color=INK)


def _plain(axes: Axes) -> None:
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(GREY)
    axes.tick_params(labelsize=6.5, colors=INK, length=2, width=0.5)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=8))
    axes.yaxis.set_major_locator(MaxNLocator(nbins=4))
    axes.yaxis.set_major_formatter(FuncFormatter(_short))


def _short(value: float, _place: int) -> str:
    """Return an amount for an axis: thousands as k, millions as M."""
    if abs(value) >= 1e6:
        return f"{value / 1e6:g}M"
    return f"{value / 1e3:g}k" if abs(value) >= 1e3 else f"{value:g}"
