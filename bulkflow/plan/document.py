"""Plans as one JSON document of the schema ``bulkflow-plan/1``, and back."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any, TypeVar, get_origin, get_type_hints

from pydantic import ValidationError

from bulkflow.errors import Fault, InputError
from bulkflow.plan.check import Check, CheckReport
from bulkflow.plan.result import PlanResult
from bulkflow.plan.schema import SCHEMA, PlanDocument, Row
from bulkflow.plan.summary import summarise
from bulkflow.program.answer import CostBreakdown, Plan, Proof

__all__ = [
    "DOCUMENT_FILE",
    "document_at",
    "read_document",
    "read_plan_at",
    "read_result",
    "result_from_document",
    "result_of",
    "to_document",
]

DOCUMENT_FILE = "plan.json"

Kind = TypeVar("Kind")

# The rows of a plan that the document holds as they are.
ROWS = [
    name
    for name, kind in get_type_hints(Plan).items()
    if get_origin(kind) is tuple and name in PlanDocument.model_fields
]

MAXIMUM_BYTES = 200_000_000  # a plan of 104 periods and 60 sites takes a tenth of this


def to_document(result: PlanResult) -> dict[str, Any]:
    """Return a plan as plain data, ready for ``json.dumps``; keys in the schema's order."""
    plan = result.plan
    rows: dict[str, Any] = {
        "schema": SCHEMA,
        "scenario_name": plan.scenario_name,
        "currency": plan.currency,
        "register": result.register,
        "chain_head": result.chain_head,
        "quarter_periods": plan.quarter_periods,
        "periods": [
            {"period": number, "first_day": day}
            for number, day in enumerate(plan.period_starts, start=1)
        ],
        "priorities": [{"priority": one, "unmet": unmet} for one, unmet in result.unmet],
        "summary": summarise(result),
        "costs": {
            **asdict(plan.costs),
            "total": plan.costs.total,
            "changeable": plan.costs.changeable,
        },
        "proof": _proof(plan),
        **{name: getattr(plan, name) for name in ROWS},
        "holds": result.holds,
        "explanations": result.explanations,
        "misses": result.misses,
        "held_loads": result.held_loads,
        "findings": result.findings,
        "checks": [_check(check) for check in result.report.checks],
        "inputs": result.inputs,
    }
    return PlanDocument.model_validate(rows).model_dump(mode="json", by_alias=True)


def _proof(plan: Plan) -> dict[str, Any]:
    proof = plan.proof
    figures = {
        "bound": proof.bound,
        "gap": proof.gap,
        "gap_changeable": proof.gap_over(plan.costs.changeable),
    }
    return asdict(proof) | {
        name: value if math.isfinite(value) else None for name, value in figures.items()
    }


def _check(check: Check) -> dict[str, Any]:
    return asdict(check) | {"worst": check.worst if math.isfinite(check.worst) else None}


def read_plan_at(path: Path) -> PlanResult:
    """Read the plan of a ``plan.json``, or of the folder that holds one.

    Raises
    ------
    InputError
        There is none, or it cannot be read; see ``read_result``.
    """
    return read_result(document_at(path))


def document_at(path: Path) -> Path:
    """Return the ``plan.json`` itself, or that of a folder.

    Raises
    ------
    InputError
        The folder holds none.
    """
    if not path.is_dir():
        return path
    file = path / DOCUMENT_FILE
    if not file.exists():
        mend = "Give a folder written by 'bulkflow plan --out', or a plan.json."
        raise InputError(Fault(str(path), 0, "", f"holds no {DOCUMENT_FILE}", mend))
    return file


def read_result(file: Path) -> PlanResult:
    """Read a plan written by ``bulkflow plan --out`` (or its ``--json`` output).

    Raises
    ------
    InputError
        The file cannot be read, is no JSON, or is not of the schema; every fault is listed.
    """
    return result_of(read_document(file))


def read_document(file: Path) -> PlanDocument:
    """Read the document of a plan; see ``read_result``."""
    name = file.name
    try:
        if file.stat().st_size > MAXIMUM_BYTES:
            raise InputError(Fault(name, 0, "", "is larger than any plan", "Give a plan.json."))
        text = file.read_text("utf-8")
    except OSError as error:
        reason = error.strerror or type(error).__name__
        mend = "Give a plan.json, as written by 'bulkflow plan --out'."
        raise InputError(Fault(str(file), 0, "", f"cannot be read ({reason})", mend)) from error
    except UnicodeDecodeError as error:
        raise InputError(Fault(name, 0, "", "is not UTF-8 text", "Give a plan.json.")) from error
    try:
        data = json.loads(text, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as error:
        line = getattr(error, "lineno", 0)
        fault = Fault(name, line, "", f"is not JSON ({error})", "Give a plan.json.")
        raise InputError(fault) from error
    return _validated(data, name)


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is no number in JSON")


def result_from_document(data: object, *, file: str = "plan") -> PlanResult:
    """Return the plan of a document; the inverse of ``to_document``.

    Raises
    ------
    InputError
        The document is not of the schema; every fault is listed with its path.
    """
    return result_of(_validated(data, file))


def _validated(data: object, file: str) -> PlanDocument:
    found = data.get("schema") if isinstance(data, Mapping) else None
    if found != SCHEMA:
        what = "holds no 'schema'" if found is None else f"has the schema {found!r}"
        raise InputError(Fault(file, 0, "schema", what, f"This program reads {SCHEMA!r}."))
    try:
        return PlanDocument.model_validate(data)
    except ValidationError as error:
        raise InputError(_faults(file, error)) from error


def _faults(file: str, error: ValidationError) -> Iterable[Fault]:
    for one in error.errors(include_url=False):
        where = ""
        for step in one["loc"]:
            where += f"[{step}]" if isinstance(step, int) else f".{step}" if where else str(step)
        yield Fault(file, 0, where, f"is wrong ({one['msg'].lower()})", f"See {SCHEMA}.")


def result_of(document: PlanDocument) -> PlanResult:
    """Return the plan of a document that was read."""
    plan = Plan(
        scenario_name=document.scenario_name,
        currency=document.currency,
        quarter_periods=document.quarter_periods,
        period_starts=tuple(row.first_day for row in document.periods),
        costs=_of(CostBreakdown, document.costs),
        proof=_of(Proof, document.proof, "bound", missing=-math.inf),
        **{name: getattr(document, name) for name in ROWS},
    )
    return PlanResult(
        plan=plan,
        report=CheckReport(
            tuple(_of(Check, row, "worst", missing=math.inf) for row in document.checks)
        ),
        unmet=tuple((row.priority, row.unmet) for row in document.priorities),
        findings=document.findings,
        holds=document.holds,
        explanations=document.explanations,
        misses=document.misses,
        held_loads=document.held_loads,
        inputs=document.inputs,
        register=document.register_name,
        chain_head=document.chain_head,
    )


def _of(kind: type[Kind], row: Row, figure: str = "", *, missing: float = 0.0) -> Kind:
    """Return a row as the plan has it, without what the document derives from it.

    A figure that is not finite is null in the document.
    """
    values = {one.name: getattr(row, one.name) for one in fields(kind)}  # type: ignore[arg-type]
    if figure and values[figure] is None:
        values[figure] = missing
    return kind(**values)
