"""Charts of the uses drawn: the reference over sittings, and an arrival trial by trial.

Readable in grey and to the colour-blind: marks and line styles say the same as colours.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from bulkflow.errors import Fault, InputError
from bulkflow.whole_files import bytes_written_whole
from panels.assessors.drift import Drift
from panels.methods.sequential import SequentialPlan
from panels.uses.answers import Answer

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_arrival", "draw_drift"]

FORMATS = (".svg", ".png", ".pdf")
DARK, BLUE, ORANGE, PALE = "#000000", "#0072B2", "#D55E00", "#dddddd"
MARKS = "osD^vP"
LINES = ("-", "--", "-.", ":")


def draw_drift(charts: Mapping[str, Drift], path: Path) -> None:
    """Draw scores with their limits, the EWMA with its own, and both sums, one column a chart.

    Parameters
    ----------
    charts : by name, the panel's first; at most four are readable side by side.
    path : ending in .svg, .png or .pdf.

    Raises
    ------
    InputError
        A file that is no picture.
    """
    figure = _figure(path, width=max(5.5, 4.2 * len(charts)), height=6.2)
    grid = figure.subplots(2, len(charts), squeeze=False, height_ratios=[2, 1], sharex="col")
    for column, (name, drift) in enumerate(charts.items()):
        _draw_scores(grid[0][column], drift)
        _draw_sums(grid[1][column], drift)
        grid[0][column].set_title(name, fontsize=10)
    grid[0][0].set_ylabel("score of the blind reference")
    grid[1][0].set_ylabel("cumulative sum")
    handles, labels = grid[0][0].get_legend_handles_labels()
    more, names = grid[1][0].get_legend_handles_labels()
    figure.legend(
        handles + more,
        labels + names,
        ncols=3,
        frameon=False,
        loc="outside lower center",
        fontsize=8,
    )
    _save(figure, path)


def draw_arrival(
    plan: SequentialPlan, loads: Mapping[str, Sequence[Answer]], most_trials: int, path: Path
) -> None:
    """Draw answers right against trials, between the lines of acceptance and of difference.

    Parameters
    ----------
    plan : behind the declaration.
    loads : answers by load, in order; up to six have marks of their own.
    most_trials : where the test stops.
    path : ending in .svg, .png or .pdf.

    Raises
    ------
    InputError
        A file that is no picture.
    """
    figure = _figure(path, width=6.4, height=4.4)
    axis = figure.subplots()
    trials = [0, most_trials]
    lower = [plan.lower_intercept + plan.slope * n for n in trials]
    upper = [plan.upper_intercept + plan.slope * n for n in trials]
    axis.plot(trials, upper, color=ORANGE, linestyle="--", linewidth=1.4)
    axis.plot(trials, lower, color=BLUE, linestyle="--", linewidth=1.4)
    axis.axvline(most_trials, color=DARK, linestyle=":", linewidth=1.2)
    for words, place, color in (
        ("hold: different", (0.03, 0.93), ORANGE),
        ("accept", (0.72, 0.05), BLUE),
    ):
        axis.text(*place, words, color=color, fontsize=10, transform=axis.transAxes)
    for at, (load, answers) in enumerate(loads.items()):
        # Runs share their first steps; a slight lift keeps both to be seen.
        right = [0.08 * at]
        for answer in answers[:most_trials]:
            right.append(right[-1] + int(answer.correct))
        axis.plot(
            range(len(right)),
            right,
            drawstyle="steps-post",
            color=DARK,
            linewidth=1.2,
            linestyle=LINES[at % len(LINES)],
            marker=MARKS[at % len(MARKS)],
            markersize=5,
            markevery=[len(right) - 1],
        )
        axis.annotate(
            load,
            (len(right) - 1, right[-1]),
            xytext=(-4, 7),
            textcoords="offset points",
            fontsize=8,
            ha="right",
            bbox={"boxstyle": "square,pad=0.1", "facecolor": "white", "edgecolor": "none"},
        )
    axis.annotate(
        "last trial: hold",
        (most_trials, 0.0),
        xytext=(4, 4),
        textcoords="offset points",
        rotation=90,
        fontsize=8,
    )
    axis.set_xlim(0, most_trials * 1.12)
    axis.set_ylim(-0.5, max(upper[1], 1.0) + 1.0)
    axis.set_xticks(range(0, most_trials + 1, max(1, most_trials // 9)))
    axis.set_xlabel("trials")
    axis.set_ylabel("answers right")
    axis.grid(visible=True, color=PALE, linewidth=0.6)
    _save(figure, path)


def _draw_scores(axis: Axes, drift: Drift) -> None:
    at = range(1, len(drift.sittings) + 1)
    axis.axvspan(0.5, drift.baseline + 0.5, color="#f0f0f0", label="sets centre and spread")
    axis.axhline(drift.centre, color=DARK, linewidth=0.8)
    for limit in (drift.jumps.lower, drift.jumps.upper):
        axis.axhline(
            limit,
            color=DARK,
            linestyle=":",
            linewidth=1.2,
            label="limits of one sitting" if limit == drift.jumps.lower else None,
        )
    axis.plot(at, drift.jumps.values, "o", color="#777777", markersize=3.5, label="score")
    axis.plot(at, drift.average.z, color=BLUE, linewidth=1.8, label="EWMA")
    axis.plot(
        at, drift.average.lower, color=BLUE, linestyle="--", linewidth=1.0, label="its limits"
    )
    axis.plot(at, drift.average.upper, color=BLUE, linestyle="--", linewidth=1.0)
    flagged = [i for i in at if drift.sittings[i - 1] in drift.signals]
    axis.plot(
        flagged,
        [drift.jumps.values[i - 1] for i in flagged],
        "s",
        color=ORANGE,
        fillstyle="none",
        markersize=8,
        label="signal",
    )
    axis.grid(visible=True, color=PALE, linewidth=0.6)


def _draw_sums(axis: Axes, drift: Drift) -> None:
    at = list(range(1, len(drift.sittings) + 1))
    axis.plot(at, drift.sums.high, color=DARK, linewidth=1.4, label="CUSUM up")
    axis.plot(at, drift.sums.low, color=ORANGE, linestyle="--", linewidth=1.4, label="CUSUM down")
    axis.axhline(drift.sums.decision, color=DARK, linestyle=":", linewidth=1.2)
    # About eight names fit below one column.
    shown = at[:: max(1, len(at) // 8)]
    axis.set_xticks(shown, [drift.sittings[i - 1] for i in shown], rotation=60, fontsize=7)
    axis.grid(visible=True, color=PALE, linewidth=0.6)


def _figure(path: Path, *, width: float, height: float) -> Figure:
    if path.suffix.lower() not in FORMATS:
        raise InputError(
            Fault(path.name, 0, "--out", "is no picture", f"End it in {' or '.join(FORMATS)}.")
        )
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), layout="constrained")


def _save(figure: Figure, path: Path) -> None:
    kind = path.suffix.lower()
    metadata = {"Date": None} if kind == ".svg" else None
    with bytes_written_whole(path) as stream:
        figure.savefig(stream, format=kind.removeprefix("."), metadata=metadata, dpi=150)
