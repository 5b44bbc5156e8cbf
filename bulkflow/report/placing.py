"""Where things stand on the map: sites, names, lanes and labels, in inches, none on another.

Positions are real where every site and supplier has a latitude and a longitude and nothing then
meets anything else; otherwise schematic: columns from supplier to bottler, ordered within by
where their lanes lead, to keep crossings few. A schematic map grows until its labels have room.
What is placed is a set of boxes, so that "no two meet" can be checked.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import networkx as nx

from bulkflow.report.figures import text_inches

__all__ = ["Box", "Placed", "place"]

WIDTH = 8.2  # inches, the printed width of a page
EDGE = 0.12
NAME_POINTS, LABEL_POINTS = 7.0, 6.3
LINE = 1.35 / 72.0  # height of a line of text, inches a point
MARKER = 0.15
COLUMNS = {"supplier": 0.75, "distillery": 2.95, "depot": 5.0, "bottler": 7.45}
ROW = 0.62  # between sites of a column
STEPS = 40  # of the path of a lane
BENDS = (0.0, 0.22, -0.22, 0.44, -0.44, 0.7, -0.7)
GROWTHS = (1.0, 1.25, 1.6, 2.1, 2.8)
ORDERINGS = 6
REAL_HEIGHTS = (2.6, 6.5)  # lowest and highest real map

Point = tuple[float, float]
Graph = nx.MultiDiGraph  # of str


@dataclass(frozen=True, slots=True)
class Box:
    """A box by its middle, in inches."""

    x: float
    y: float
    width: float
    height: float

    def meets(self, other: Box) -> bool:
        """Tell whether two boxes overlap."""
        return (
            abs(self.x - other.x) * 2 < self.width + other.width
            and abs(self.y - other.y) * 2 < self.height + other.height
        )

    def holds(self, point: Point) -> bool:
        """Tell whether a point lies in it."""
        x, y = point
        return abs(self.x - x) * 2 < self.width and abs(self.y - y) * 2 < self.height


@dataclass(slots=True)
class Placed:
    """A map as it is to be drawn.

    Parameters
    ----------
    height : of the map; its width is ``WIDTH``.
    real : whether positions are real.
    middles : where each site is; ``markers`` and ``names`` its boxes.
    paths, labels : of each lane; a label only where the lane has words.
    unlabelled : lanes whose label found no room.
    """

    height: float
    real: bool
    middles: dict[str, Point]
    markers: dict[str, Box] = field(default_factory=dict)
    names: dict[str, Box] = field(default_factory=dict)
    paths: dict[str, list[Point]] = field(default_factory=dict)
    labels: dict[str, Box] = field(default_factory=dict)
    unlabelled: list[str] = field(default_factory=list)

    @property
    def boxes(self) -> list[Box]:
        """Everything that must not meet anything else."""
        return [*self.markers.values(), *self.names.values(), *self.labels.values()]

    def is_clear(self) -> bool:
        """Tell whether every label has its place and no two boxes meet."""
        pairs = itertools.combinations(self.boxes, 2)
        return not self.unlabelled and not any(one.meets(other) for one, other in pairs)


def place(
    graph: Graph[str], words: Mapping[str, str], positions: Mapping[str, tuple[float, float]]
) -> Placed:
    """Return where everything stands.

    Parameters
    ----------
    graph : nodes with ``kind``; edges keyed by lane.
    words : the label of each lane that has one.
    positions : latitude and longitude [degrees] of the nodes that have them.
    """
    if set(positions) >= set(graph):
        real = _real(graph, positions)
        _fill(real, graph, words, bent=False)
        if real.is_clear():
            return real
    for growth in GROWTHS:
        found = _schematic(graph, growth)
        _fill(found, graph, words, bent=True)
        if found.is_clear():
            break
    return found


# --- positions --------------------------------------------------------------------------------


def _real(graph: Graph[str], positions: Mapping[str, tuple[float, float]]) -> Placed:
    """Place sites by latitude and longitude, scaled alike both ways at the middle latitude.

    The circle of longitudes is cut at its widest empty stretch.
    """
    nodes = sorted(graph)
    latitudes = [positions[node][0] for node in nodes]
    turned = _unrolled([positions[node][1] for node in nodes])
    middle = math.radians((min(latitudes) + max(latitudes)) / 2)
    across = [longitude * max(0.1, math.cos(middle)) for longitude in turned]
    room = WIDTH - 2 * (EDGE + 0.55)
    lowest, highest = REAL_HEIGHTS
    scale = room / max(max(across) - min(across), 1e-9)
    tall = max(latitudes) - min(latitudes)
    scale = min(scale, (highest - 1.0) / max(tall, 1e-9))
    height = max(lowest, tall * scale + 1.0)
    left = WIDTH / 2 - scale * (min(across) + max(across)) / 2
    low = height / 2 - scale * (min(latitudes) + max(latitudes)) / 2
    middles = {
        node: (left + scale * x, low + scale * latitude)
        for node, x, latitude in zip(nodes, across, latitudes, strict=True)
    }
    return Placed(height, real=True, middles=middles)


def _unrolled(longitudes: Sequence[float]) -> list[float]:
    """Return longitudes on a line that starts after the widest empty stretch."""
    around = sorted({longitude % 360.0 for longitude in longitudes})
    before = [around[-1] - 360.0, *around[:-1]]
    _, start = max((after - last, after) for last, after in zip(before, around, strict=True))
    return [(longitude - start) % 360.0 for longitude in longitudes]


def _schematic(graph: Graph[str], growth: float) -> Placed:
    """Place sites in columns, ordered by the mean height of their neighbours."""
    columns: dict[str, list[str]] = {kind: [] for kind in COLUMNS}
    for node, data in graph.nodes(data=True):
        columns[data["kind"]].append(node)
    heights: dict[str, float] = {}
    for nodes in columns.values():
        _spread(sorted(nodes), heights)
    around = graph.to_undirected()
    for _ in range(ORDERINGS):
        for nodes in columns.values():
            means = {
                node: sum(heights[one] for one in around[node]) / max(1, len(around[node]))
                for node in nodes
            }
            _spread(sorted(nodes, key=lambda node: (means[node], node)), heights)
    height = max(2.4, growth * (ROW * max(map(len, columns.values())) + 0.4))
    middles = {
        node: (COLUMNS[kind], 0.25 + heights[node] * (height - 0.35))
        for kind, nodes in columns.items()
        for node in nodes
    }
    return Placed(height, real=False, middles=middles)


def _spread(nodes: Sequence[str], heights: dict[str, float]) -> None:
    for number, node in enumerate(nodes):
        heights[node] = (number + 0.5) / len(nodes)


# --- names, lanes, labels ---------------------------------------------------------------------


def _fill(placed: Placed, graph: Graph[str], words: Mapping[str, str], *, bent: bool) -> None:
    """Add names, paths and labels; what finds no free place is named or meets something."""
    for node, (x, y) in placed.middles.items():
        placed.markers[node] = Box(x, y, MARKER, MARKER)
    for node in sorted(graph):
        boxes = list(_name_boxes(node, placed.middles[node]))
        taken = [*placed.markers.values(), *placed.names.values()]
        placed.names[node] = _first_free(boxes, taken, placed) or boxes[0]
    ends = {lane: (origin, end) for origin, end, lane in graph.edges(keys=True)}
    used: dict[tuple[str, str], int] = {}
    for lane in sorted(ends):
        pair = ends[lane]
        turn = used.get(pair, 0)
        used[pair] = turn + 1
        placed.paths[lane] = _path(placed, pair, BENDS[turn % len(BENDS) :], eased=bent)
    for lane in sorted(words, key=lambda one: (-len(words[one]), one)):
        boxes = list(_label_boxes(placed.paths[lane], words[lane]))
        others = [path for name, path in placed.paths.items() if name != lane]
        found = _first_free(boxes, placed.boxes, placed, others)
        if found is None:
            placed.unlabelled.append(lane)
        else:
            placed.labels[lane] = found


def _name_boxes(name: str, middle: Point) -> Iterator[Box]:
    """Yield places for a name: below its marker, above, right, left."""
    x, y = middle
    width, tall = text_inches(name, NAME_POINTS) * 1.12 + 0.06, NAME_POINTS * LINE
    off = MARKER / 2 + tall / 2 + 0.015
    yield Box(x, y - off, width, tall)
    yield Box(x, y + off, width, tall)
    yield Box(x + MARKER / 2 + width / 2 + 0.02, y, width, tall)
    yield Box(x - MARKER / 2 - width / 2 - 0.02, y, width, tall)


def _label_boxes(path: Sequence[Point], words: str) -> Iterator[Box]:
    """Yield places for a label: along its lane from past the middle, then beside it."""
    width, tall = text_inches(words, LABEL_POINTS) + 0.06, LABEL_POINTS * LINE
    order = sorted(range(3, STEPS - 2), key=lambda step: abs(step - 0.58 * STEPS))
    for shift in (0.0, tall * 0.8, -tall * 0.8):
        for step in order:
            x, y = path[step]
            yield Box(x, y + shift, width, tall)


def _first_free(
    boxes: Sequence[Box],
    taken: Sequence[Box],
    placed: Placed,
    paths: Sequence[Sequence[Point]] = (),
) -> Box | None:
    """Return the first box on the page that meets no other; one with few lanes under it."""
    free = [
        box
        for box in boxes
        if box.x - box.width / 2 > EDGE / 2
        and box.x + box.width / 2 < WIDTH - EDGE / 2
        and box.y - box.height / 2 > 0.0
        and box.y + box.height / 2 < placed.height
        and not any(box.meets(other) for other in taken)
    ]
    return min(free, key=lambda box: _lanes_under(box, paths), default=None)


def _lanes_under(box: Box, paths: Iterable[Sequence[Point]]) -> int:
    return sum(any(box.holds(point) for point in path) for path in paths)


def _path(
    placed: Placed, ends: tuple[str, str], bends: Sequence[float], *, eased: bool
) -> list[Point]:
    """Return the way of a lane that passes through fewest sites, and bends least."""
    others = [box for node, box in placed.markers.items() if node not in ends]
    others += [box for node, box in placed.names.items() if node not in ends]
    start, end = placed.middles[ends[0]], placed.middles[ends[1]]
    ways = [_curve(start, end, bend, eased=eased) for bend in bends]
    return min(ways, key=lambda way: sum(any(map(box.holds, way)) for box in others))


def _curve(start: Point, end: Point, bend: float, *, eased: bool) -> list[Point]:
    """Return points from one place to another, bent sideways by some inches in the middle."""
    (x0, y0), (x1, y1) = start, end
    long = math.hypot(x1 - x0, y1 - y0) or 1.0
    across, up = -(y1 - y0) / long, (x1 - x0) / long
    points = []
    for step in range(STEPS + 1):
        s = step / STEPS
        ease = s * s * (3 - 2 * s) if eased else s
        off = 4 * bend * s * (1 - s)
        points.append((x0 + (x1 - x0) * s + across * off, y0 + (y1 - y0) * ease + up * off))
    return points
