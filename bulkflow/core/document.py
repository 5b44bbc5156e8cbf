"""Reads a network from a document of the form ``planning-example/1``.

The form: plain mappings and lists (YAML or JSON), keys as in `bulkflow.core.network` with ``from``
and ``to`` for the ends of a lane (``id`` defaults to ``from->to``), and terms of limits written
``{flow: lane, times: 2}``. Keys that describe the document (title, source, expected ...) are
left to others. Unknown keys are faults, and all faults come at once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from bulkflow.core.network import (
    DEFAULT_COMMODITY,
    Demand,
    Lane,
    Limit,
    Network,
    Node,
    Stock,
    Supply,
    Term,
    TermKind,
    Vehicle,
)
from bulkflow.core.validate import FaultList, network_faults
from bulkflow.errors import Fault, InputError
from bulkflow.reading.words import did_you_mean
from bulkflow.reading.yamlfile import read_yaml

__all__ = ["DOCUMENT_FORMAT", "load_document", "network_from_document"]

DOCUMENT_FORMAT = "planning-example/1"

_DESCRIPTION = ("id", "title", "checks", "units", "expected", "source", "basis", "notes", "licence")
_KEYS = {
    "document": (
        "format",
        "sense",
        "periods",
        "commodities",
        "objective_constant",
        "nodes",
        "lanes",
        "limits",
        *_DESCRIPTION,
    ),
    "node": ("id", "supply", "demand", "stock"),
    "supply": ("at_most", "exactly", "unit_cost"),
    "demand": (
        "exactly",
        "at_most",
        "shortage_cost",
        "shortage",
        "unit_revenue",
        "initial_backlog",
    ),
    "stock": (
        "initial",
        "at_most",
        "at_least",
        "final_exactly",
        "final_at_least",
        "holding_cost",
    ),
    "lane": (
        "id",
        "from",
        "to",
        "commodities",
        "unit_cost",
        "lead_time",
        "gain",
        "capacity",
        "min_flow",
        "fixed_cost",
        "min_if_used",
        "vehicle",
    ),
    "vehicle": ("capacity", "min_fill", "cost", "max_count", "min_count"),
    "limit": ("id", "terms", "at_most", "at_least", "exactly", "over_horizon"),
}
_TERM_KINDS = ("flow", "used", "vehicles", "stock", "in_transit")
_TERM_KEYS = (*_TERM_KINDS, "times", "commodity")
_TERMS_WITH_COMMODITY = ("flow", "stock", "in_transit")


def load_document(path: Path) -> tuple[Network, dict[str, Any]]:
    """Read a YAML file; return the network and the document as plain data.

    Raises
    ------
    InputError
        With every fault, each with its line where it is known.
    """
    document = read_yaml(path)
    entries = document.entries()
    try:
        return network_from_document(entries, file=path.name), entries
    except InputError as error:
        raise InputError(
            replace(fault, line=document.line_of(fault.where)) for fault in error.faults
        ) from error


def network_from_document(document: object, *, file: str = "") -> Network:
    """Return the network of a document held as plain data.

    Raises
    ------
    InputError
        With every fault found.
    """
    reader = _Reader(file)
    network = reader.network(document)
    faults = list(reader.check.faults)
    if network is not None:
        # A value the reader could not take has left its place empty; what follows from that
        # place being empty is not a second fault.
        seen = [fault.where for fault in faults]
        faults += [
            fault
            for fault in network_faults(network, file=file)
            if not any(_is_within(fault.where, place) for place in seen)
        ]
    if faults:
        raise InputError(faults)
    if network is None:
        raise InputError(Fault(file, 0, "", "holds no network", "Give nodes and periods."))
    return network


def _is_within(place: str, outer: str) -> bool:
    """Tell whether a path is another or a part of it."""
    return place == outer or place.startswith((f"{outer}.", f"{outer}["))


class _Reader:
    """Turns plain data into the types, noting what does not fit."""

    def __init__(self, file: str) -> None:
        self.check = FaultList(file)

    def network(self, document: object) -> Network | None:
        top = self._mapping("", document, "document")
        if top is None:
            return None
        if top.get("format") != DOCUMENT_FORMAT:
            self.check.add(
                "format", f"is {top.get('format')!r}", f"Write format: {DOCUMENT_FORMAT}."
            )
        if "periods" not in top:
            self.check.add("periods", "is missing", "Give the number of periods.")
            return None
        commodities = [DEFAULT_COMMODITY]
        if "commodities" in top:
            commodities = [self._id(place, item) for place, item in self._list("commodities", top)]
        network = Network(
            periods=self._value("periods", top["periods"]),
            commodities=commodities,
            nodes=[self._node(place, item) for place, item in self._list("nodes", top)],
            lanes=[self._lane(place, item) for place, item in self._list("lanes", top)],
            limits=[self._limit(place, item) for place, item in self._list("limits", top)],
            sense=top.get("sense", "minimise"),
            objective_constant=self._value("objective_constant", top.get("objective_constant", 0)),
        )
        return (
            replace(network, periods=int(network.periods)) if _whole(network.periods) else network
        )

    def _node(self, path: str, item: object) -> Node:
        fields = self._mapping(path, item, "node") or {}
        return Node(
            id=self._id(f"{path}.id", fields.get("id")),
            supply=self._part(path, fields, "supply", Supply),
            demand=self._part(path, fields, "demand", Demand),
            stock=self._part(path, fields, "stock", Stock),
        )

    def _part(
        self, path: str, fields: Mapping[str, Any], key: str, make: Callable[..., Any]
    ) -> Any:
        """Return one of the small types whose keys are its fields, or None if it is left out."""
        if fields.get(key) is None:
            return None
        place = f"{path}.{key}"
        values = self._mapping(place, fields[key], key)
        if values is None:
            return None
        given = {name: value for name, value in values.items() if value is not None}
        text = {"shortage"}
        return make(
            **{
                name: value if name in text else self._value(f"{place}.{name}", value)
                for name, value in given.items()
            }
        )

    def _lane(self, path: str, item: object) -> Lane:
        fields = self._mapping(path, item, "lane") or {}
        start = self._id(f"{path}.from", fields.get("from"))
        end = self._id(f"{path}.to", fields.get("to"))
        lane_id = f"{start}->{end}"
        if fields.get("id") is not None:
            lane_id = self._id(f"{path}.id", fields["id"])
        carried = None
        if fields.get("commodities") is not None:
            listed = self._list("commodities", fields, path)
            carried = [self._id(place, name) for place, name in listed]
        plain = {
            key: self._value(f"{path}.{key}", fields[key])
            for key in (
                "unit_cost",
                "gain",
                "lead_time",
                "capacity",
                "min_flow",
                "fixed_cost",
                "min_if_used",
            )
            if fields.get(key) is not None
        }
        return Lane(
            id=lane_id,
            from_node=start,
            to_node=end,
            commodities=carried,
            vehicle=self._vehicle(path, fields),
            **plain,
        )

    def _vehicle(self, path: str, fields: Mapping[str, Any]) -> Vehicle | None:
        given = fields.get("vehicle")
        if isinstance(given, Mapping) and given.get("capacity") is None:
            self.check.add(
                f"{path}.vehicle.capacity", "is missing", "Say what one vehicle can hold."
            )
            return Vehicle(capacity=float("inf"))
        vehicle: Vehicle | None = self._part(path, fields, "vehicle", Vehicle)
        return vehicle

    def _limit(self, path: str, item: object) -> Limit:
        fields = self._mapping(path, item, "limit") or {}
        over_horizon = fields.get("over_horizon", False)
        if not isinstance(over_horizon, bool):
            self.check.add(f"{path}.over_horizon", f"is {over_horizon!r}", "Write true or false.")
        limit_id = path
        if fields.get("id") is not None:
            limit_id = self._id(f"{path}.id", fields["id"])
        sides = {
            key: self._value(f"{path}.{key}", fields[key])
            for key in ("at_most", "at_least", "exactly")
            if fields.get(key) is not None
        }
        terms = [self._term(place, term) for place, term in self._list("terms", fields, path)]
        return Limit(
            id=limit_id,
            terms=terms,
            over_horizon=bool(over_horizon),
            **sides,
        )

    def _term(self, path: str, item: object) -> Term:
        # What is no term stays in its place, so that later ones keep their number.
        none = Term(kind=TermKind.FLOW, ref="")
        if not isinstance(item, Mapping):
            self.check.add(path, f"is {_shown(item)}", "Write a term as {flow: lane, times: 1}.")
            return none
        self._unknown_keys(path, item, _TERM_KEYS)
        kinds = [key for key in _TERM_KINDS if key in item]
        if len(kinds) != 1:
            self.check.add(
                path,
                f"names {len(kinds)} quantities",
                f"Name exactly one of {', '.join(_TERM_KINDS)}.",
            )
            return none
        kind = kinds[0]
        commodity = None
        if item.get("commodity") is not None:
            commodity = self._id(f"{path}.commodity", item["commodity"])
        return Term(
            kind=TermKind(kind),
            ref=self._id(f"{path}.{kind}", item[kind]),
            times=self._value(f"{path}.times", item.get("times", 1.0)),
            commodity=commodity,
        )

    # Shapes --------------------------------------------------------------------------------

    def _mapping(self, path: str, item: object, what: str) -> Mapping[str, Any] | None:
        if not isinstance(item, Mapping):
            self.check.add(path, f"is {_shown(item)}", f"Give the keys of a {what}.")
            return None
        self._unknown_keys(path, item, _KEYS[what])
        return {key: value for key, value in item.items() if key in _KEYS[what]}

    def _unknown_keys(self, path: str, item: Mapping[Any, Any], known: Sequence[str]) -> None:
        for key in item:
            if key not in known:
                place = f"{path}.{key}" if path else str(key)
                self.check.add(place, "is an unknown key", did_you_mean(key, known))

    def _list(
        self, key: str, fields: Mapping[str, Any], path: str = ""
    ) -> list[tuple[str, object]]:
        """Return the items of a list with their paths; nothing where the key is left out."""
        place = f"{path}.{key}" if path else key
        items = fields.get(key)
        if items is None:
            return []
        if not isinstance(items, list | tuple):
            self.check.add(place, f"is {_shown(items)}", "Give a list.")
            return []
        return [(f"{place}[{index}]", item) for index, item in enumerate(items)]

    def _id(self, path: str, item: object) -> str:
        if isinstance(item, str) and item:
            return item
        if isinstance(item, int) and not isinstance(item, bool):
            return str(item)
        self.check.add(path, f"is {_shown(item)}", "Give a name that is not empty.")
        return f"<{path}>"

    def _value(self, path: str, item: Any) -> Any:
        """Return numbers, lists of numbers and mappings of either; other things are left as is.

        What is left as it is gets its fault from the checks of the network.
        """
        if isinstance(item, Mapping):
            return {
                self._id(f"{path}.{key}", key): self._value(f"{path}.{key}", part)
                for key, part in item.items()
            }
        if isinstance(item, list | tuple):
            return [self._value(f"{path}[{index}]", part) for index, part in enumerate(item)]
        return item


def _whole(value: object) -> bool:
    return isinstance(value, float) and value.is_integer()


def _shown(item: object) -> str:
    if item is None:
        return "missing"
    text = repr(item)
    return text if len(text) <= 40 else f"{text[:37]}..."
