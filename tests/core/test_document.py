"""Documents of the form planning-example/1: every key, and every fault at once."""

from pathlib import Path

import pytest

from bulkflow.core.document import load_document, network_from_document
from bulkflow.core.network import Limit, Network, Term
from bulkflow.core.solve import solve
from bulkflow.errors import InputError

FULL = """\
format: planning-example/1
id: everything
title: every key of the form
checks: [all keys]
units: {quantity: litres, money: EUR}
sense: maximise
periods: 3
objective_constant: 1.5
commodities: [gin, base]
nodes:
  - id: S
    supply: {at_most: {gin: 1e2, base: [10, 20, 30]}, unit_cost: {gin: 1}}
  - {id: X, supply: {exactly: {base: 1}}}
  - id: D
    stock:
      initial: {gin: 5}
      at_most: {gin: 50}
      at_least: [0, 1, 1]
      final_exactly: {base: 5}
      final_at_least: 1
      holding_cost: {gin: [0.1, 0.1, 0.2]}
  - id: K
    demand:
      exactly: {gin: [4, 5, 6]}
      shortage_cost: 7
      shortage: backlogged
      at_most: {gin: 3}
      unit_revenue: 2
  - {id: 7}
lanes:
  - {from: S, to: D, unit_cost: {gin: 0.5, base: [1, 1, 1]}, gain: 0.9, capacity: 60, min_flow: 1}
  - {id: waste, from: X, to: 7, commodities: [base]}
  - {id: sink, from: 7, to: D, commodities: [base]}
  - id: sea
    from: D
    to: K
    commodities: [gin]
    lead_time: 1
    fixed_cost: [1, 2, 3]
    min_if_used: 2
    vehicle: {capacity: 8, min_fill: 4, cost: 1, max_count: 3, min_count: 0}
limits:
  - {id: a, terms: [{flow: sea, times: 2, commodity: gin}, {used: sea}], at_most: [90, 90, 90]}
  - {id: b, terms: [{vehicles: sea}, {in_transit: sea, times: 0.1}], at_least: 0, at_most: 9}
  - {id: c, terms: [{stock: D, commodity: base, times: [1, 1, 1]}], at_least: 0, over_horizon: true}
expected: {objective: 0}
source: {work: made up}
basis: {data: made up}
"""


def read(tmp_path: Path, text: str) -> Network:
    path = tmp_path / "case.yaml"
    path.write_text(text, encoding="utf-8")
    return load_document(path)[0]


def test_every_key_is_read(tmp_path: Path) -> None:
    network = read(tmp_path, FULL)
    assert (network.periods, network.sense, network.objective_constant) == (3, "maximise", 1.5)
    assert network.nodes[0].supply.at_most == {"gin": 100.0, "base": [10, 20, 30]}
    assert network.nodes[2].stock.final_exactly == {"base": 5}
    assert network.nodes[3].demand.shortage == "backlogged"
    assert [lane.id for lane in network.lanes] == ["S->D", "waste", "sink", "sea"]
    assert network.lanes[2].from_node == "7"
    assert network.lanes[3].vehicle.max_count == 3
    assert network.limits[0] == Limit(
        "a", [Term("flow", "sea", times=2, commodity="gin"), Term("used", "sea")], [90, 90, 90]
    )
    assert network.limits[2].over_horizon
    outcome = solve(network)
    assert outcome.status == "optimal"


BROKEN = """\
format: planning-example/1
periods: 2
commodities: [a, a]
nodes:
  - {id: S, supply: {at_most: -1, unit_cost: .nan}}
  - {id: S}
  - {id: K, demand: {exactly: [1, 2, 3], shortage: late}, stok: {}}
  - {id: L, stock: {initial: {b: 1}, at_most: many}}
lanes:
  - {from: S, to: Q, capacity: .inf, gain: 0}
  - {id: l, from: S, to: K, lead_time: 1.5, vehicle: {min_fill: 3}}
  - {id: m, from: S, to: K, vehicle: {capacity: 2, min_fill: 3}}
limits:
  - {id: x, terms: [{flow: nowhere}, {stock: K}, {flow: l, used: l}, {vehicles: l}]}
  - {id: y, terms: [], exactly: 1, at_most: 2}
"""

MESSAGES = [
    "case.yaml, line 3: commodities[1] is 'a', which is taken already. Give each its own name.",
    "case.yaml, line 5: nodes[0].supply.at_most is -1. Give zero or more.",
    "case.yaml, line 5: nodes[0].supply.unit_cost is nan. Give a finite number, or leave the key"
    " out where it has no limit.",
    "case.yaml, line 6: nodes[1].id is 'S', which is taken already. Give each its own name.",
    "case.yaml, line 7: nodes[2].demand.exactly has 3 numbers for 2 periods. Give one number per"
    " period.",
    "case.yaml, line 7: nodes[2].demand.shortage is 'late'. Write lost or backlogged.",
    "case.yaml, line 7: nodes[2].stok is an unknown key. Did you mean stock?",
    "case.yaml, line 8: nodes[3].stock.at_most is 'many'. Give a number.",
    "case.yaml, line 8: nodes[3].stock.initial names the unknown commodity 'b'. Give the id of a"
    " commodity that exists.",
    "case.yaml, line 10: lanes[0].capacity is inf. Give a finite number, or leave the key out"
    " where it has no limit.",
    "case.yaml, line 10: lanes[0].gain is 0. Give a number greater than zero.",
    "case.yaml, line 10: lanes[0].to names the unknown node 'Q'. Give the id of a node that"
    " exists.",
    "case.yaml, line 11: lanes[1].lead_time is 1.5. Give whole periods.",
    "case.yaml, line 11: lanes[1].vehicle.capacity is missing. Say what one vehicle can hold.",
    "case.yaml, line 12: lanes[2].vehicle.min_fill is 3, above the capacity 2, in period 1. Give a"
    " least fill that the vehicle can hold.",
    "case.yaml, line 14: limits[0] sets no limit. Give at_most, at_least or exactly.",
    "case.yaml, line 14: limits[0].terms[0].flow names the unknown lane 'nowhere'. Give the id of"
    " a lane that exists.",
    "case.yaml, line 14: limits[0].terms[1].stock is 'K', a node without stock. Name one with"
    " stock.",
    "case.yaml, line 14: limits[0].terms[2] names 2 quantities. Name exactly one of flow, used,"
    " vehicles, stock, in_transit.",
    "case.yaml, line 15: limits[1] gives exactly beside another side. Give one or the other.",
    "case.yaml, line 15: limits[1].terms is empty. Give at least one term.",
]


def test_every_fault_at_once(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        read(tmp_path, BROKEN)
    found = [str(fault) for fault in caught.value.faults]
    assert [message for message in MESSAGES if message not in found] == []
    assert [message for message in found if message not in MESSAGES] == []


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "case.yaml: is empty. Write keys with their values."),
        ("[1, 2]", "case.yaml: holds a list. Write keys with their values."),
        ("a: &x 1\nb: *x", "case.yaml, line 1: a sets the anchor &x. Remove it"),
        ("a: 1\na: 2", "case.yaml, line 2: a is given again (first in line 1)."),
        (
            "!!python/object/apply:os.system ['true']",
            "case.yaml: holds a list. Write keys with their values.\ncase.yaml, line 1: has the tag"
            " 'tag:yaml.org,2002:python/object/apply:os.system'.",
        ),
        ("a: [1, 2", "case.yaml, line 2: cannot be read as YAML"),
        ("format: planning-example/1", "case.yaml, line 1: periods is missing. Give the number of"),
        (
            "format: planning-example/1\nperiods: 1000000000\nnodes: []",
            "case.yaml, line 2: periods is 1000000000. Give a whole number of periods, 1 to 10000.",
        ),
        (
            "format: planning-example/2\nperiods: 1\nnodes: []",
            "case.yaml, line 1: format is 'planning-example/2'. Write format: planning-example/1.",
        ),
        (
            "format: planning-example/1\nperiods: 1\nnodes: {id: a}",
            "case.yaml, line 3: nodes is {'id': 'a'}. Give a list.",
        ),
        (
            "format: planning-example/1\nperiods: 1\nsense: mini\nnodes: []",
            "case.yaml, line 3: sense is 'mini'. Write minimise or maximise.",
        ),
    ],
)
def test_hostile_and_empty_files(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    assert str(caught.value).startswith(message)


def test_other_encodings_and_absent_files(tmp_path: Path) -> None:
    path = tmp_path / "case.yaml"
    path.write_bytes(b"a: \xff")
    with pytest.raises(InputError, match=r"case.yaml, line 1: is not UTF-8 \(byte 0xFF\)"):
        load_document(path)
    with pytest.raises(InputError, match=r"absent\.yaml: does not exist"):
        load_document(tmp_path / "absent.yaml")


def test_deep_nesting_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="nest"):
        read(tmp_path, "[" * 1200)


def test_lanes_without_id_between_the_same_nodes_need_one() -> None:
    document = {
        "format": "planning-example/1",
        "periods": 1,
        "nodes": [{"id": "A"}, {"id": "B"}],
        "lanes": [{"from": "A", "to": "B"}, {"from": "A", "to": "B"}],
    }
    with pytest.raises(InputError, match=r"lanes\[1\].id is 'A->B', which is taken already"):
        network_from_document(document)
