"""The map of sites and lanes, with the loads of the quarter on the lanes."""

from __future__ import annotations

from collections.abc import Mapping

import networkx as nx
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bulkflow.program.answer import LoadKind, Plan
from bulkflow.report.figures import INK, svg_text
from bulkflow.report.placing import LABEL_POINTS, NAME_POINTS, WIDTH, Placed, Point, place
from bulkflow.scenario.model import Scenario

__all__ = ["lane_counts", "map_graph", "map_picture", "placed_map"]

FACES = {
    "supplier": ("s", "#f2c14e"),
    "distillery": ("D", "#0b4f6c"),
    "depot": ("h", "#9ad1d4"),
    "bottler": ("o", "#d1603d"),
}
LANE = "#51606f"
THINNEST, THICKEST = 0.7, 4.0  # points
ARROW = (30, 31)  # steps of a path between which its arrow stands


def lane_counts(plan: Plan) -> dict[str, int]:
    """Return the loads of the quarter by lane."""
    counts: dict[str, int] = {}
    for load in plan.loads:
        if load.kind is not LoadKind.UNDER_WAY and load.period <= plan.quarter_periods:
            counts[load.lane] = counts.get(load.lane, 0) + 1
    return counts


def map_graph(scenario: Scenario, counts: Mapping[str, int]) -> nx.MultiDiGraph[str]:
    """Return sites and suppliers as nodes (with ``kind``), lanes as edges (with ``loads``)."""
    graph: nx.MultiDiGraph[str] = nx.MultiDiGraph()
    for supplier in scenario.suppliers:
        graph.add_node(supplier.id, kind="supplier")
    for site in scenario.sites:
        graph.add_node(site.id, kind=site.kind.value)
    for lane in scenario.lanes:
        graph.add_edge(lane.origin, lane.destination, key=lane.id, loads=counts.get(lane.id, 0))
    return graph


def placed_map(scenario: Scenario, plan: Plan) -> Placed:
    """Return where everything stands on the map of a plan."""
    counts = lane_counts(plan)
    given = [(one.id, one.latitude, one.longitude) for one in scenario.suppliers]
    given += [(one.id, one.latitude, one.longitude) for one in scenario.sites]
    positions = {
        name: (latitude, longitude)
        for name, latitude, longitude in given
        if latitude is not None and longitude is not None
    }
    words = {lane: _words(lane, loads) for lane, loads in counts.items()}
    return place(map_graph(scenario, counts), words, positions)


def _words(lane: str, loads: int) -> str:
    return f"{lane}: {loads}"


def map_picture(
    placed: Placed, scenario: Scenario, plan: Plan, *, name: str, title: str, description: str
) -> str:
    """Return the map as SVG."""
    counts = lane_counts(plan)
    figure = Figure(figsize=(WIDTH, placed.height))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, WIDTH)
    axes.set_ylim(0.0, placed.height)
    axes.axis("off")
    most = max(counts.values(), default=0) or 1
    for lane, path in placed.paths.items():
        _draw_lane(axes, path, counts.get(lane, 0) / most)
    for lane, box in placed.labels.items():
        axes.text(
            box.x, box.y, _words(lane, counts[lane]), fontsize=LABEL_POINTS, ha="center",
            va="center", color=INK, zorder=5,
            bbox={"boxstyle": "square,pad=0.08", "facecolor": "white", "edgecolor": "none"},
        )  # fmt: skip
    _draw_sites(axes, placed, map_graph(scenario, counts))
    return svg_text(figure, name=name, title=title, description=description)


def _draw_lane(axes: Axes, path: list[Point], share: float) -> None:
    axes.plot(
        [x for x, _ in path],
        [y for _, y in path],
        color=LANE,
        linewidth=THINNEST + (THICKEST - THINNEST) * share,
        linestyle="solid" if share else (0, (3, 3)),
        solid_capstyle="round",
        alpha=0.75,
        zorder=1,
    )
    axes.annotate(
        "",
        xy=path[ARROW[1]],
        xytext=path[ARROW[0]],
        arrowprops={"arrowstyle": "-|>", "color": LANE, "lw": 0.8},
        zorder=2,
    )


def _draw_sites(axes: Axes, placed: Placed, graph: nx.MultiDiGraph[str]) -> None:
    for node, data in graph.nodes(data=True):
        x, y = placed.middles[node]
        marker, colour = FACES[data["kind"]]
        axes.plot([x], [y], marker, color=colour, markeredgecolor=INK, markersize=9, zorder=4)
        box = placed.names[node]
        axes.text(
            box.x, box.y, node, fontsize=NAME_POINTS, ha="center", va="center", color=INK,
            zorder=6, fontweight="bold",
            bbox={"boxstyle": "square,pad=0.05", "facecolor": "white", "edgecolor": "none",
                  "alpha": 0.85},
        )  # fmt: skip
