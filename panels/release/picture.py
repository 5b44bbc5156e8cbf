"""The operating characteristic drawn: readable in grey and to the colour-blind."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from bulkflow.errors import Fault, InputError
from bulkflow.whole_files import bytes_written_whole
from panels.release.characteristic import Characteristic
from panels.release.rule import ReleaseRule

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_characteristic"]

FORMATS = (".svg", ".png", ".pdf")

# Okabe and Ito's colours, which all eyes tell apart; line and mark tell the same without colour.
STYLES = {
    "release": {"color": "#0072B2", "linestyle": "-", "marker": "o"},
    "hold": {"color": "#E69F00", "linestyle": "--", "marker": "s"},
    "reject": {"color": "#000000", "linestyle": ":", "marker": "^"},
}


def draw_characteristic(found: Characteristic, rule: ReleaseRule, path: Path) -> None:
    """Draw chances of release, hold and reject over quality and over noticing share.

    Raises
    ------
    InputError : a file that is no picture, or that cannot be written.
    """
    if path.suffix.lower() not in FORMATS:
        raise InputError(
            Fault(path.name, 0, "--out", "is no picture", f"End it in {' or '.join(FORMATS)}.")
        )
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.2, 4.0), layout="constrained")
    left, right = figure.subplots(1, 2, sharey=True)
    for axis, name, words in (
        (left, "quality", "true mean score of the lot"),
        (right, "noticing share", "share of assessors who notice a taint"),
    ):
        points = [point for point in found.points if point.axis == name]
        for verdict, style in STYLES.items():
            axis.plot(
                [point.value for point in points],
                [getattr(point, verdict) for point in points],
                label=verdict,
                markersize=4.5,
                linewidth=1.6,
                markerfacecolor="white" if verdict == "hold" else style["color"],
                **style,
            )
        axis.set_xlabel(words)
        axis.grid(visible=True, color="#dddddd", linewidth=0.6)
        axis.set_ylim(-0.03, 1.03)
    left.set_ylabel("chance")
    _mark_limits(left, rule)
    right.legend(frameon=False, loc="center right")
    figure.suptitle(
        f"{found.rule}: what the rule does ({found.draws} simulated lots a point, standard error"
        f" {found.standard_error:g} at most)",
        fontsize=10,
    )
    kind = path.suffix.lower()
    metadata = {"Date": None} if kind == ".svg" else None
    with bytes_written_whole(path) as stream:
        figure.savefig(stream, format=kind.removeprefix("."), metadata=metadata, dpi=150)


def _mark_limits(axis: Axes, rule: ReleaseRule) -> None:
    marks: dict[float, list[str]] = {}
    if rule.score.needs_mean and rule.score.minimum is not None:
        marks.setdefault(rule.score.minimum, []).append("minimum")
    if rule.score.needs_difference and rule.score.largest_drop is not None:
        place = rule.assumptions.control_quality - rule.score.largest_drop
        marks.setdefault(round(place, 6), []).append("largest drop")
    for place, words in marks.items():
        axis.axvline(place, color="#666666", linewidth=0.8)
        axis.annotate(
            " and ".join(words), (place, 0.5), rotation=90, ha="right", va="center", fontsize=8
        )
