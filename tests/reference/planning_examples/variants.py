"""What the words of a variant (``no duty limit``, ``every lead time 0``) change in a document."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable, Iterator
from typing import Any

Document = dict[str, Any]


class NotUnderstoodError(ValueError):
    """The words of a variant fit no known change."""


def changed(document: Document, words: str) -> Document:
    """Return a copy of the document with the change made; several may be joined by ';' or 'and'."""
    parts = [
        part for part in re.split(r"\s*;\s*|\s+and\s+(?=no |every |all )", words.strip()) if part
    ]
    result = copy.deepcopy(document)
    for part in parts:
        _change(result, part.strip().rstrip("."))
    return result


def _change(document: Document, words: str) -> None:
    for pattern, action in _RULES:
        match = re.fullmatch(pattern, words, re.IGNORECASE)
        if match:
            action(document, *match.groups())
            return
    raise NotUnderstoodError(f"no known change reads {words!r}")


# Parts of a document -----------------------------------------------------------------------


def _lanes(document: Document) -> list[dict[str, Any]]:
    return list(document.get("lanes") or [])


def _nodes(document: Document) -> list[dict[str, Any]]:
    return list(document.get("nodes") or [])


def _lane_id(lane: dict[str, Any]) -> str:
    return str(lane.get("id", f"{lane['from']}->{lane['to']}"))


def _vehicles(document: Document) -> Iterator[dict[str, Any]]:
    return (lane["vehicle"] for lane in _lanes(document) if lane.get("vehicle"))


def _inbound(document: Document) -> list[dict[str, Any]]:
    """Return the lanes that start where supply enters."""
    sources = {node["id"] for node in _nodes(document) if node.get("supply")}
    return [lane for lane in _lanes(document) if lane["from"] in sources]


def _key(words: str) -> str:
    """Return the key that words mean: 'lead times' -> lead_time."""
    word = re.sub(r"[\s-]+", "_", words.strip().lower())
    known = {
        "minimum_fill": "min_fill",
        "least_fill": "min_fill",
        "minimum_load": "min_if_used",
        "minimum_if_used": "min_if_used",
        "minimum_use": "min_if_used",
        "minimum_flow": "min_flow",
        "minimum_shipment": "min_flow",
        "container_capacity": "capacity",
        "lane_capacity": "capacity",
        "opening_stock": "initial",
        "initial_stock": "initial",
    }
    for ending in ("", "s", "es"):
        stem = word.removesuffix(ending) if ending else word
        if stem in known:
            return known[stem]
    if word.endswith("lane_capacities"):
        return "capacity"
    if word.endswith("capacities"):
        return word.removesuffix("ies") + "y"
    return word.removesuffix("s") if word != "exactly" else word


_VEHICLE_KEYS = {"min_fill", "max_count", "min_count", "cost"}
_LANE_KEYS = {
    "unit_cost",
    "lead_time",
    "gain",
    "capacity",
    "min_flow",
    "fixed_cost",
    "min_if_used",
}
_STOCK_KEYS = {"initial", "at_least", "final_exactly", "final_at_least", "holding_cost"}
_DEMAND_KEYS = {"shortage_cost", "unit_revenue"}


def _holders(document: Document, key: str) -> list[dict[str, Any]]:
    """Return the mappings that may hold a key."""
    if key in _VEHICLE_KEYS:
        return list(_vehicles(document))
    if key in _LANE_KEYS:
        return _lanes(document)
    if key in _STOCK_KEYS:
        return [node["stock"] for node in _nodes(document) if node.get("stock") is not None]
    if key in _DEMAND_KEYS:
        return [node["demand"] for node in _nodes(document) if node.get("demand")]
    raise NotUnderstoodError(f"{key!r} is no known key")


# Actions -----------------------------------------------------------------------------------


def _drop_tank_limits(document: Document) -> None:
    for node in _nodes(document):
        if node.get("stock"):
            node["stock"].pop("at_most", None)


def _drop_vehicles(document: Document) -> None:
    for lane in _lanes(document):
        lane.pop("vehicle", None)


def _drop_all_limits(document: Document) -> None:
    document["limits"] = []


def _drop_key(document: Document, words: str) -> None:
    key = _key(words)
    for holder in _holders(document, key):
        holder.pop(key, None)


def _drop_limit(document: Document, words: str) -> None:
    """Drop the limits whose id holds every word; failing that, a key of that name."""
    wanted = set(re.findall(r"\w+", words.lower()))
    limits = list(document.get("limits") or [])
    kept = [
        limit
        for limit in limits
        if not wanted <= set(re.findall(r"\w+", str(limit.get("id", "")).lower()))
    ]
    if len(kept) == len(limits):
        _drop_key(document, words)
    document["limits"] = kept


def _drop_on(document: Document, words: str, where: str) -> None:
    """Drop a key on the inbound lanes, or on named lanes or nodes."""
    key = _key(words)
    if "inbound" in where.lower():
        for lane in _inbound(document):
            lane.pop(key, None)
            (lane.get("vehicle") or {}).pop(key, None)
        return
    for name in re.split(r"\s*,\s*|\s+and\s+", where.strip()):
        _holder(document, name, key).pop(key, None)


def _set_every(document: Document, words: str, number: str) -> None:
    key = _key(words)
    if key in {"at_most", "tank_limit", "tank"}:
        for node in _nodes(document):
            if node.get("stock"):
                node["stock"]["at_most"] = float(number)
        return
    value: float | int = int(float(number)) if key == "lead_time" else float(number)
    for holder in _holders(document, key):
        holder[key] = value


def _set_container(document: Document, number: str) -> None:
    for vehicle in _vehicles(document):
        vehicle["capacity"] = float(number)
        if vehicle.get("min_fill", 0) and float(number) < vehicle["min_fill"]:
            raise NotUnderstoodError("the new container is smaller than its least fill")


def _set_inbound_capacity(document: Document, number: str) -> None:
    for lane in _inbound(document):
        lane["capacity"] = float(number)


def _holder(document: Document, name: str, key: str) -> dict[str, Any]:
    """Return the mapping of a named lane or node that holds, or may hold, a key."""
    for lane in _lanes(document):
        if _lane_id(lane) == name:
            vehicle = lane.get("vehicle") or {}
            own = key in _LANE_KEYS and key not in vehicle
            return lane if own or not lane.get("vehicle") else vehicle
    for node in _nodes(document):
        if node["id"] == name:
            for part in ("supply", "stock", "demand"):
                if key in (node.get(part) or {}):
                    return dict.__getitem__(node, part)
            return dict.__getitem__(node, "stock" if key in _STOCK_KEYS else "demand")
    raise NotUnderstoodError(f"no lane or node is called {name!r}")


def _set_one(document: Document, name: str, words: str, number: str) -> None:
    key = _key(words)
    value: float | int = int(float(number)) if key == "lead_time" else float(number)
    _holder(document, name, key)[key] = value


def _scaled(value: Any, factor: float) -> Any:
    if isinstance(value, dict):
        return {name: _scaled(part, factor) for name, part in value.items()}
    if isinstance(value, list):
        return [_scaled(part, factor) for part in value]
    return value * factor


def _scale_demand(document: Document, factor: float) -> None:
    for node in _nodes(document):
        for key in ("exactly", "at_most"):
            if key in (node.get("demand") or {}):
                node["demand"][key] = _scaled(node["demand"][key], factor)


def _backlog(document: Document) -> None:
    for node in _nodes(document):
        if "shortage_cost" in (node.get("demand") or {}):
            node["demand"]["shortage"] = "backlogged"


_NUMBER = r"(-?\d+(?:\.\d+)?)"
_UNIT = r"(?:\s+\w+)*"
_RULES: list[tuple[str, Callable[..., None]]] = [
    (r"no (?:tank|storage|stock) (?:limits?|capacity|capacities)", _drop_tank_limits),
    (r"no (?:whole )?(?:vehicles?|containers?)", _drop_vehicles),
    (r"no limits?", _drop_all_limits),
    (r"no limits? on (?:stock|tanks?)", _drop_tank_limits),
    (r"no (.+?) on (?:the )?(.+?)(?: lanes?)?", _drop_on),
    (r"no (.+?) limits?", _drop_limit),
    (r"no (.+)", _drop_key),
    (
        rf"(?:every|all|each) (?:containers?|vehicles?|tanks?) holds? {_NUMBER}{_UNIT}",
        _set_container,
    ),
    (rf"containers? (?:of|hold) {_NUMBER}{_UNIT}", _set_container),
    (rf"{_NUMBER}-tonne containers?", _set_container),
    (rf"site capacity (?:does not bind|removed)? ?\(?{_NUMBER}\)?", _set_inbound_capacity),
    (rf"(?:every|all|each) (.+?)s? (?:is |are |= ?|of )?{_NUMBER}{_UNIT}", _set_every),
    (rf"(?:lane |node )?(\S+?)[ .:](\w+?)(?: is| =|:)? ?{_NUMBER}{_UNIT}", _set_one),
    (rf"(?:lane |node )?(\S+) ([a-z]+ [a-z]+)(?: is| =|:)? {_NUMBER}{_UNIT}", _set_one),
    (r"(?:all )?demands? doubled", lambda document: _scale_demand(document, 2.0)),
    (r"(?:all )?demands? halved", lambda document: _scale_demand(document, 0.5)),
    (
        rf"(?:all )?demands? times {_NUMBER}",
        lambda document, number: _scale_demand(document, float(number)),
    ),
    (r"shortage (?:is )?backlogged(?: instead of lost)?", _backlog),
]
