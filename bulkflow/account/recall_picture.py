"""A recall as a picture: generations from left to right, in inline SVG, for print in grey.

Lots are round, loads square, lots of bottles three-cornered; what is only planned is dashed.
Where a generation has more than fits, the largest stand for the rest, and that is said.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

import networkx as nx
from matplotlib.figure import Figure

from bulkflow.account.recall import Node, NodeKind, Reached, Recall
from bulkflow.report.figures import INK, svg_text

__all__ = ["MOST_IN_A_COLUMN", "recall_picture"]

MOST_IN_A_COLUMN = 14
_MARKS = {NodeKind.LOT: "o", NodeKind.LOAD: "s", NodeKind.BOTTLING: "^"}
_FILLS = {NodeKind.LOT: "#f2c14e", NodeKind.LOAD: "#9ad1d4", NodeKind.BOTTLING: "#ffffff"}
_WORDS = {NodeKind.LOT: "lot", NodeKind.LOAD: "load", NodeKind.BOTTLING: "lot of bottles"}


def recall_picture(found: Recall, *, name: str = "recall") -> str:
    """Return a recall as an inline SVG element.

    Parameters
    ----------
    name : unique on its page.
    """
    columns, left_out = _columns(found)
    shown = {node for column in columns.values() for node in column}
    graph: nx.DiGraph[Node] = nx.DiGraph()
    for generation, column in columns.items():
        for node in column:
            graph.add_node(node, generation=generation)
    for link in found.links:
        if link.source in shown and link.target in shown:
            graph.add_edge(link.source, link.target, planned=link.planned)
    places = _places(columns, backwards=found.direction == "behind")
    figure = _draw(graph, found, places, columns)
    counts = ", ".join(
        f"{len(found.of_kind(kind))} {_WORDS[kind]}{'' if len(found.of_kind(kind)) == 1 else 's'}"
        if kind is not NodeKind.BOTTLING
        else f"{len(found.of_kind(kind))} lots of bottles"
        for kind in NodeKind
    )
    rest = f" {left_out} of them are not drawn: the list has all." if left_out else ""
    return svg_text(
        figure,
        name=name,
        title=f"{found.start[1]}: everything {found.direction} it",
        description=f"{counts}.{rest}",
    )


def _columns(found: Recall) -> tuple[dict[int, list[Node]], int]:
    """Return the nodes drawn by generation, the largest of each, and how many are not drawn."""
    by_generation: dict[int, list[Reached]] = defaultdict(list)
    for one in found.reached:
        by_generation[one.generation].append(one)
    columns: dict[int, list[Node]] = {}
    left_out = 0
    for generation, listed in sorted(by_generation.items()):
        largest = sorted(listed, key=lambda one: (-(one.lpa or 0), one.kind, one.name))
        kept = largest[:MOST_IN_A_COLUMN]
        left_out += len(listed) - len(kept)
        columns[generation] = [
            (one.kind, one.name) for one in sorted(kept, key=lambda one: (one.kind, one.name))
        ]
    return columns, left_out


def _places(
    columns: Mapping[int, Sequence[Node]], *, backwards: bool
) -> dict[Node, tuple[float, float]]:
    places = {}
    for generation, column in columns.items():
        for row, node in enumerate(column):
            x = -generation if backwards else generation
            places[node] = (float(x), (len(column) - 1) / 2 - row)
    return places


def _draw(
    graph: nx.DiGraph[Node],
    found: Recall,
    places: Mapping[Node, tuple[float, float]],
    columns: Mapping[int, Sequence[Node]],
) -> Figure:
    tallest = max(len(column) for column in columns.values())
    figure = Figure(figsize=(2.1 * len(columns) + 1.2, 0.62 * tallest + 0.9))
    axes = figure.add_axes((0.02, 0.02, 0.96, 0.96))
    axes.set_axis_off()
    facts = {(one.kind, one.name): one for one in found.reached}
    for planned, style in ((False, "solid"), (True, "dashed")):
        edges = [(a, b) for a, b, data in graph.edges(data=True) if data["planned"] is planned]
        nx.draw_networkx_edges(
            graph, places, edgelist=edges, ax=axes, edge_color=INK, width=0.8, arrowsize=9,
            style=style, node_size=330,
        )  # fmt: skip
    for kind, mark in _MARKS.items():
        nodes = [node for node in graph if node[0] is kind]
        nx.draw_networkx_nodes(
            graph, places, nodelist=nodes, ax=axes, node_shape=mark, node_size=260,
            node_color=_FILLS[kind], edgecolors=INK, linewidths=1.0,
        )  # fmt: skip
    for node, (x, y) in places.items():
        axes.annotate(
            _label(facts[node], start=node == found.start), (x, y), xytext=(0, -10),
            textcoords="offset points", ha="center", va="top", fontsize=7, color=INK,
            fontweight="bold" if node == found.start else "normal", annotation_clip=False,
        )  # fmt: skip
    xs, ys = [x for x, _ in places.values()], [y for _, y in places.values()]
    axes.set_xlim(min(xs) - 0.55, max(xs) + 0.55)
    axes.set_ylim(min(ys) - 0.75, max(ys) + 0.5)
    return figure


def _label(one: Reached, *, start: bool) -> str:
    name = one.name if len(one.name) <= 22 else f"{one.name[:21]}…"
    if one.kind is NodeKind.BOTTLING and one.cases:
        return f"{name}\n{one.cases:,} cases"
    if start or one.share is None:
        return f"{name}\n{one.state}"
    return f"{name}\n{100 * one.share:.1f} % at {one.where}"
