"""The map of sites and lanes: a schematic from suppliers to bottlers, with loads on the lanes.

Sites stand in columns by what they do (supplier, distillery, depot, bottler); within a column
they are ordered by where their lanes lead, to keep crossings few. A label on a lane takes the
first place along it where it meets neither a site nor another label.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import networkx as nx
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bulkflow.program.answer import LoadKind, Plan
from bulkflow.report.figures import INK, svg_text
from bulkflow.scenario.model import Scenario

__all__ = ["lane_counts", "map_graph", "map_picture"]

COLUMNS = {"supplier": 0, "distillery": 1, "depot": 2, "bottler": 3}
FACES = {
    "supplier": ("s", "#f2c14e"),
    "distillery": ("D", "#0b4f6c"),
    "depot": ("h", "#9ad1d4"),
    "bottler": ("o", "#d1603d"),
}
DEPOT_SHIFT = 0.13
Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class _Box:
    x: float
    y: float
    width: float
    height: float

    def meets(self, other: _Box) -> bool:
        return (
            abs(self.x - other.x) * 2 < self.width + other.width
            and abs(self.y - other.y) * 2 < self.height + other.height
        )


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


def map_picture(scenario: Scenario, plan: Plan, *, name: str, title: str, description: str) -> str:
    """Return the map as SVG."""
    graph = map_graph(scenario, lane_counts(plan))
    places = _places(graph)
    kinds = Counter(_kinds(graph).values())
    tallest = max(kinds.values())
    height = max(2.6, 0.62 * tallest + 0.5)
    figure = Figure(figsize=(8.2, height))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(-0.42, 3.42)
    axes.set_ylim(-0.06, 1.06)
    axes.axis("off")
    taken = [_Box(x, y - 0.03, 0.52, 0.19 / height) for x, y in places.values()]
    _draw_lanes(axes, graph, places, taken, height)
    _draw_sites(axes, graph, places, height)
    return svg_text(figure, name=name, title=title, description=description)


def _kinds(graph: nx.MultiDiGraph[str]) -> dict[str, str]:
    """Return what each node is."""
    return {node: str(data["kind"]) for node, data in graph.nodes(data=True)}


def _places(graph: nx.MultiDiGraph[str]) -> dict[str, Point]:
    """Return a place for every node: its column, ordered by the mean height of its neighbours."""
    columns: dict[int, list[str]] = {number: [] for number in COLUMNS.values()}
    for node, kind in _kinds(graph).items():
        columns[COLUMNS[kind]].append(node)
    heights: dict[str, float] = {}
    for nodes in columns.values():
        _spread(sorted(nodes), heights)
    around = graph.to_undirected()
    for _ in range(6):
        for nodes in columns.values():
            means = {
                node: sum(heights[one] for one in around[node]) / max(1, len(around[node]))
                for node in nodes
            }
            _spread(sorted(nodes, key=lambda node: (means[node], node)), heights)
    # Half a step between the columns of distillery and depot, so that a lane past a depot is
    # not drawn through it.
    shift = {COLUMNS["depot"]: DEPOT_SHIFT}
    return {
        node: (float(number), heights[node] + shift.get(number, 0.0))
        for number, nodes in columns.items()
        for node in nodes
    }


def _spread(nodes: list[str], heights: dict[str, float]) -> None:
    for place, node in enumerate(nodes):
        heights[node] = (place + 0.5) / len(nodes)


def _draw_lanes(
    axes: Axes,
    graph: nx.MultiDiGraph[str],
    places: Mapping[str, Point],
    taken: list[_Box],
    height: float,
) -> None:
    seen: dict[tuple[str, str], int] = {}
    lanes = sorted(
        (str(lane), origin, destination, int(data["loads"]))
        for origin, destination, lane, data in graph.edges(keys=True, data=True)
    )
    most = max((loads for *_, loads in lanes), default=0) or 1
    for lane, origin, destination, loads in lanes:
        turn = seen.get((origin, destination), 0)
        seen[origin, destination] = turn + 1
        bend = 0.06 * (turn if turn % 2 == 0 else -turn - 1)
        path = _curve(places[origin], places[destination], bend)
        axes.plot(
            [x for x, _ in path],
            [y for _, y in path],
            color="#51606f",
            linewidth=0.7 + 3.3 * loads / most,
            linestyle="solid" if loads else (0, (3, 3)),
            solid_capstyle="round",
            alpha=0.75,
            zorder=1,
        )
        _arrow(axes, path)
        if loads:
            _label(axes, path, f"{lane}: {loads}", taken, height)


def _curve(start: Point, end: Point, bend: float) -> list[Point]:
    (x0, y0), (x1, y1) = start, end
    steps = 24
    found = []
    for step in range(steps + 1):
        s = step / steps
        ease = s * s * (3 - 2 * s)
        found.append((x0 + (x1 - x0) * s, y0 + (y1 - y0) * ease + 4 * bend * s * (1 - s)))
    return found


def _arrow(axes: Axes, path: list[Point]) -> None:
    axes.annotate(
        "",
        xy=path[20],
        xytext=path[19],
        arrowprops={"arrowstyle": "-|>", "color": "#51606f", "lw": 0.8},
        zorder=2,
    )


def _label(axes: Axes, path: list[Point], text: str, taken: list[_Box], height: float) -> None:
    width, tall = 0.0265 * len(text) + 0.04, 0.15 / height
    order = sorted(range(3, 21), key=lambda place: abs(place - 14))
    tried = [
        _Box(path[place][0], path[place][1] + shift, width, tall)
        for shift in (0.0, tall * 0.9, -tall * 0.9, tall * 1.8, -tall * 1.8)
        for place in order
    ]
    box = next((one for one in tried if not any(one.meets(other) for other in taken)), tried[0])
    taken.append(box)
    axes.text(
        box.x, box.y, text, fontsize=6.3, ha="center", va="center", color=INK, zorder=5,
        bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none",
              "alpha": 0.9},
    )  # fmt: skip


def _draw_sites(
    axes: Axes, graph: nx.MultiDiGraph[str], places: Mapping[str, Point], height: float
) -> None:
    for node, kind in _kinds(graph).items():
        x, y = places[node]
        marker, colour = FACES[kind]
        axes.plot([x], [y], marker, color=colour, markeredgecolor=INK, markersize=9, zorder=4)
        axes.text(
            x, y - 0.16 / height, node, fontsize=7, ha="center", va="top", color=INK, zorder=6,
            fontweight="bold",
            bbox={"boxstyle": "round,pad=0.1", "facecolor": "white", "edgecolor": "none",
                  "alpha": 0.85},
        )  # fmt: skip
