"""Checks example files: optimum, variants, bound of the plain relaxation, flows, formulas."""

from __future__ import annotations

import copy
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from bulkflow import stocks
from bulkflow.core.assemble import assemble
from bulkflow.core.deadline import Deadline
from bulkflow.core.document import DOCUMENT_FORMAT, network_from_document
from bulkflow.core.highs import HighsSession
from bulkflow.core.network import Network
from bulkflow.core.options import Form, SolveOptions
from bulkflow.core.solve import solve
from bulkflow.errors import BulkflowError
from tests.reference.planning_examples.variants import NotUnderstoodError, changed

FORMULA_FORMAT = "formula-example/1"


@dataclass(frozen=True)
class Check:
    """One figure recomputed; found is None where it could not be (the note says why)."""

    name: str
    found: float | None
    expected: float
    tolerance: float
    note: str = ""

    @property
    def ok(self) -> bool:
        if self.found is None:
            return False
        allowed = max(self.tolerance, 1e-9 * abs(self.expected))
        return abs(self.found - self.expected) <= allowed

    def __str__(self) -> str:
        found = "-" if self.found is None else f"{self.found:.12g}"
        note = f"  # {self.note}" if self.note else ""
        return f"{self.name} {found} {self.expected:.12g} {'ok' if self.ok else 'FAIL'}{note}"


def check_file(path: Path) -> Iterator[Check]:
    """Yield every check a file asks for."""
    try:
        document = yaml.safe_load(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, yaml.YAMLError) as error:
        yield Check(path.stem, None, math.nan, 0.0, f"cannot be read: {error}")
        return
    form = document.get("format") if isinstance(document, dict) else None
    if form == DOCUMENT_FORMAT:
        yield from _check_example(document, path.stem)
    elif form == FORMULA_FORMAT:
        yield from _check_formulas(document)
    else:
        yield Check(path.stem, None, math.nan, 0.0, f"has the unknown format {form!r}")


def _slug(words: str) -> str:
    return re.sub(r"\W+", "_", words).strip("_")


def _check_example(document: dict[str, Any], stem: str) -> Iterator[Check]:
    name = str(document.get("id", stem))
    expected = document.get("expected") or {}
    yield from _check_figures(name, document, expected, expected)
    for variant in expected.get("variants") or []:
        place = f"{name}:{_slug(str(variant['change']))}"
        try:
            other = changed(document, str(variant["change"]))
        except NotUnderstoodError as error:
            yield Check(place, None, float(variant["objective"]), 0.0, str(error))
            continue
        yield from _check_figures(place, other, variant, expected)


def _check_figures(
    name: str, document: dict[str, Any], expected: dict[str, Any], common: dict[str, Any]
) -> Iterator[Check]:
    objective = float(expected["objective"])
    tolerance = float(expected.get("tolerance", common.get("tolerance", 1e-6)))
    try:
        network = network_from_document(document, file=name)
        yield Check(name, optimum(network), objective, tolerance)
        if "lp_relaxation" in expected:
            bound = float(expected["lp_relaxation"])
            # Printed bounds of large instances have two decimals.
            close = max(tolerance, 5e-3 if round(bound, 2) == bound else 1e-8 * abs(bound))
            yield Check(f"{name}:lp_relaxation", relaxation(network), bound, close)
        if "flows" in expected or "closing_stock" in expected:
            held = held_to(document, expected)
            yield Check(f"{name}:flows", optimum(network_from_document(held)), objective, tolerance)
    except BulkflowError as error:
        yield Check(name, None, objective, tolerance, str(error).replace("\n", "; "))


def optimum(network: Network) -> float | None:
    """Return the proved optimum, or None if there is none: only a proof ends the search."""
    outcome = solve(network, SolveOptions(gap=0.0))
    return outcome.objective if outcome.status == "optimal" else None


def relaxation(network: Network) -> float | None:
    """Return the optimum without whole numbers, links written flow <= capacity x on."""
    program = assemble(network, form=Form.PLAIN)
    with HighsSession(program, relaxed=True) as session:
        answer = session.solve_lp(Deadline())
    return None if answer.values is None else program.objective(answer.values)


def held_to(document: dict[str, Any], expected: dict[str, Any]) -> dict[str, Any]:
    """Return the document with the published flows and stocks made binding."""
    held = copy.deepcopy(document)
    for lane in held.get("lanes") or []:
        place = lane.get("id", f"{lane['from']}->{lane['to']}")
        if place in (expected.get("flows") or {}):
            flow = expected["flows"][place]
            lane["min_flow"] = flow
            # A capacity of zero would also say how an on/off link is to be written.
            lane["capacity"] = flow
    for node in held.get("nodes") or []:
        if node["id"] in (expected.get("closing_stock") or {}):
            closing = expected["closing_stock"][node["id"]]
            node["stock"].update(at_most=closing, at_least=closing)
    return held


def _check_formulas(document: dict[str, Any]) -> Iterator[Check]:
    for number, case in enumerate(document.get("cases") or [], start=1):
        name = str(case["formula"])
        place = f"{name}[{number}]"
        expected, tolerance = float(case["expected"]), float(case["tolerance"])
        if name not in stocks.__all__:
            yield Check(place, None, expected, tolerance, "no such formula")
            continue
        found = getattr(stocks, name)(**case["inputs"])
        yield Check(place, float(found), expected, tolerance)
