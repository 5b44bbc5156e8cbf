"""The map of sites and lanes, with the loads of the quarter on the lanes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import networkx as nx

from bulkflow.program.answer import LoadKind, Plan
from bulkflow.report.drawing import GROUND, INK, SOFT, Drawing, shape, words_at
from bulkflow.report.placing import LABEL_POINTS, NAME_POINTS, WIDTH, Box, Placed, Point, place
from bulkflow.scenario.model import Scenario

__all__ = ["lane_counts", "map_graph", "map_picture", "placed_map"]

UNITS = 96.0  # of the picture, an inch
POINT = UNITS / 72.0
RADIUS = 6.5
# How many corners, where the first one stands (in sides), and the fill; a circle has no corner.
FACES = {
    "supplier": (4, 0.5, "#f2c14e"),
    "distillery": (4, 0.0, "#0b4f6c"),
    "depot": (6, 0.5, "#9ad1d4"),
    "bottler": (0, 0.0, "#d1603d"),
}
THINNEST, THICKEST = 1.0, 5.4
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
    """Return the map as SVG; a site or a lane says on hover what it is."""
    counts = lane_counts(plan)
    drawing = Drawing(UNITS * WIDTH, UNITS * placed.height, name=name, title=title,
                      description=description)  # fmt: skip

    def at(point: Point) -> Point:
        """Return a point in units of the picture, whose y runs down."""
        return UNITS * point[0], UNITS * (placed.height - point[1])

    most = max(counts.values(), default=0) or 1
    for lane, path in placed.paths.items():
        loads = counts.get(lane, 0)
        drawing.told(_words(lane, loads), *_lane([at(one) for one in path], loads / most))
    for lane, box in placed.labels.items():
        x, y = at((box.x, box.y))
        drawing.add(_plate(box, x, y),
                    words_at(x, y + 3, _words(lane, counts[lane]), font_size=LABEL_POINTS * POINT,
                             text_anchor="middle"))  # fmt: skip
    for node, data in map_graph(scenario, counts).nodes(data=True):
        box = placed.names[node]
        (x, y), (name_x, name_y) = at(placed.middles[node]), at((box.x, box.y))
        drawing.told(f"{node}, {data['kind']}", _marker(data["kind"], x, y))
        drawing.add(_plate(box, name_x, name_y),
                    words_at(name_x, name_y + 3.4, node, font_size=NAME_POINTS * POINT,
                             text_anchor="middle", font_weight="bold"))  # fmt: skip
    return drawing.text()


def _plate(box: Box, x: float, y: float) -> str:
    wide, tall = UNITS * box.width, UNITS * box.height
    return shape("rect", x=x - wide / 2, y=y - tall / 2, width=wide, height=tall, fill=GROUND,
                 fill_opacity=0.85)  # fmt: skip


def _lane(path: Sequence[Point], share: float) -> list[str]:
    line = "L".join(f"{x:.1f} {y:.1f}" for x, y in path)
    (x, y), (tip_x, tip_y) = path[ARROW[0]], path[ARROW[1]]
    turn = math.degrees(math.atan2(tip_y - y, tip_x - x))
    return [
        shape("path", d=f"M{line}", fill="none", stroke=SOFT, stroke_opacity=0.75,
              stroke_linecap="round", stroke_width=THINNEST + (THICKEST - THINNEST) * share,
              stroke_dasharray=None if share else "4 4"),
        shape("path", d="M5 0L-4 -3.6L-4 3.6Z", fill=SOFT,
              transform=f"translate({tip_x:.1f} {tip_y:.1f}) rotate({turn:.0f})"),
    ]  # fmt: skip


def _marker(kind: str, x: float, y: float) -> str:
    corners, first, colour = FACES[kind]
    if not corners:
        return shape("circle", cx=x, cy=y, r=RADIUS, fill=colour, stroke=INK)
    points = " ".join(
        f"{x + RADIUS * math.cos(turn):.1f},{y + RADIUS * math.sin(turn):.1f}"
        for turn in (math.tau * (first + place) / corners for place in range(corners))
    )
    return shape("polygon", points=points, fill=colour, stroke=INK)
