"""The map: real positions where they fit, schematic else; nothing written over anything else."""

from __future__ import annotations

import itertools
from pathlib import Path

import networkx as nx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextToPath

from bulkflow.report.map import map_graph
from bulkflow.report.placing import LABEL_POINTS, NAME_POINTS, WIDTH, Placed, place
from bulkflow.scenario import read_workspace
from tests.benchmarks.instances import make_instance

ROOT = Path(__file__).resolve().parents[2]
# Ports and inland places, to a tenth of a degree, from any atlas.
FAR_APART = {
    "MAKER": (57.0, 24.1),
    "NORFOLK": (36.9, -76.3),
    "SANTOS": (-24.0, -46.3),
    "DURBAN": (-29.9, 31.0),
    "YOKOHAMA": (35.4, 139.6),
}


def network(lanes: dict[str, tuple[str, str]]) -> nx.MultiDiGraph:
    graph: nx.MultiDiGraph[str] = nx.MultiDiGraph()
    for node in FAR_APART:
        graph.add_node(node, kind="distillery" if node == "MAKER" else "bottler")
    for lane, (origin, end) in lanes.items():
        graph.add_edge(origin, end, key=lane)
    return graph


STAR = network({f"to-{node.lower()}": ("MAKER", node) for node in FAR_APART if node != "MAKER"})
WORDS = {lane: f"{lane}: 12" for _, _, lane in STAR.edges(keys=True)}


def assert_clear(placed: Placed) -> None:
    assert placed.unlabelled == []
    for one, other in itertools.combinations(placed.boxes, 2):
        assert not one.meets(other), (one, other)
    for box in placed.boxes:
        assert box.x - box.width / 2 >= 0.0
        assert box.x + box.width / 2 <= WIDTH
        assert box.y - box.height / 2 >= 0.0
        assert box.y + box.height / 2 <= placed.height


@pytest.mark.parametrize("name", ["vejkalna", "two_sites"])
def test_nothing_meets_on_the_maps_of_the_scenarios(name: str) -> None:
    scenario = read_workspace(ROOT / "scenarios" / name).scenario
    graph = map_graph(scenario, {})
    placed = place(graph, {lane.id: f"{lane.id}: 88" for lane in scenario.lanes}, {})
    assert set(placed.labels) == {lane.id for lane in scenario.lanes}
    assert_clear(placed)


def test_nothing_meets_on_the_map_of_a_large_network() -> None:
    scenario = make_instance(weeks=26, bottlers=12, liquids=4, seed=7, full=True)
    lanes = {lane.id: f"{lane.id}: 9" for lane in scenario.lanes}
    assert_clear(place(map_graph(scenario, {}), lanes, {}))


def test_no_lane_of_the_demo_passes_through_a_site() -> None:
    scenario = read_workspace(ROOT / "scenarios" / "vejkalna").scenario
    placed = place(map_graph(scenario, {}), {}, {})
    for lane in scenario.lanes:
        for node, box in placed.markers.items():
            if node not in (lane.origin, lane.destination):
                assert not any(map(box.holds, placed.paths[lane.id])), (lane.id, node)


def test_places_far_apart_stand_where_they_are() -> None:
    placed = place(STAR, WORDS, FAR_APART)
    assert placed.real
    assert_clear(placed)
    x = {node: middle[0] for node, middle in placed.middles.items()}
    y = {node: middle[1] for node, middle in placed.middles.items()}
    assert x["NORFOLK"] < x["SANTOS"] < x["MAKER"] < x["DURBAN"] < x["YOKOHAMA"]
    assert y["DURBAN"] < y["SANTOS"] < y["YOKOHAMA"] < y["NORFOLK"] < y["MAKER"]
    # Both ways on one scale: degrees of latitude are alike everywhere.
    a_degree = (y["MAKER"] - y["SANTOS"]) / (57.0 + 24.0)
    assert (y["YOKOHAMA"] - y["DURBAN"]) / (35.4 + 29.9) == pytest.approx(a_degree)


def test_the_circle_is_cut_where_nobody_is() -> None:
    pacific = {**FAR_APART, "NORFOLK": (33.7, -118.3), "MAKER": (35.0, 170.0)}
    pacific |= {"SANTOS": (-36.8, 174.8), "DURBAN": (-12.0, -77.1)}
    placed = place(STAR, WORDS, pacific)
    x = {node: middle[0] for node, middle in placed.middles.items()}
    assert placed.real
    assert x["YOKOHAMA"] < x["MAKER"] < x["NORFOLK"] < x["DURBAN"]


def test_one_position_missing_or_two_the_same_make_it_schematic() -> None:
    missing = {node: place_ for node, place_ in FAR_APART.items() if node != "SANTOS"}
    same = {**FAR_APART, "SANTOS": FAR_APART["DURBAN"]}
    for positions in (missing, same, dict.fromkeys(FAR_APART, (0.0, 0.0))):
        placed = place(STAR, WORDS, positions)
        assert not placed.real
        assert_clear(placed)


def test_names_fit_the_boxes_kept_for_them() -> None:
    scenario = read_workspace(ROOT / "scenarios" / "vejkalna").scenario
    words = {lane.id: f"{lane.id}: 23" for lane in scenario.lanes}
    placed = place(map_graph(scenario, {}), words, {})
    kinds = (
        (placed.names, NAME_POINTS, "bold", {node: node for node in placed.names}),
        (placed.labels, LABEL_POINTS, "normal", words),
    )
    for boxes, points, weight, said in kinds:
        face = FontProperties(family="DejaVu Sans", size=points, weight=weight)
        for name, box in boxes.items():
            wide, tall, _ = TextToPath().get_text_width_height_descent(said[name], face, False)
            assert wide / 72.0 <= box.width
            assert tall / 72.0 <= box.height


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-60, 70), st.floats(-180, 180)), min_size=5, max_size=5),
)
def test_wherever_the_sites_are_nothing_meets(places: list[tuple[float, float]]) -> None:
    placed = place(STAR, WORDS, dict(zip(FAR_APART, places, strict=True)))
    assert_clear(placed)
