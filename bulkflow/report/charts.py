"""Charts of the report: stock by site and liquid, duty at risk."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from bulkflow.program.answer import Plan
from bulkflow.report.figures import INK, svg_text

__all__ = ["Series", "risk_picture", "stock_picture", "stock_series"]

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
    figure = Figure(figsize=(8.2, 1.6))
    axes = figure.add_axes((0.08, 0.16, 0.91, 0.72))
    weeks = np.arange(1, len(used) + 1)
    axes.axvspan(quarter + 0.5, len(used) + 0.5, color=AFTER, zorder=0)
    axes.bar(weeks, used, width=0.72, color="#0b4f6c", zorder=2)
    axes.axhline(limit, color=INK, linewidth=1.1, linestyle=(0, (1, 1.6)), zorder=3)
    axes.set_xlim(0.5, len(used) + 0.5)
    axes.set_ylim(0, max(limit, max(used, default=0.0)) * 1.1 or 1.0)
    _plain(axes)
    axes.set_title(title, fontsize=8, color=INK, loc="left", pad=3)
    return svg_text(figure, name=name, title=title, description=description)


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
