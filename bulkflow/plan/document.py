"""Plans as one JSON document of the schema ``bulkflow-plan/1``, and back."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from bulkflow.errors import Fault, InputError
from bulkflow.plan.check import Check, CheckReport
from bulkflow.plan.finding import Finding
from bulkflow.plan.result import HeldLoad, HoldCost, Miss, PlanResult
from bulkflow.plan.schema import SCHEMA, PlanDocument
from bulkflow.plan.summary import summarise
from bulkflow.program.answer import (
    CargoPart,
    CostBreakdown,
    DemandServed,
    DutyDue,
    FeintsSale,
    GuaranteeUse,
    LetDown,
    LoadKind,
    Plan,
    PlannedLoad,
    Proof,
    Purchase,
    RulePrice,
    Run,
    StockLevel,
    TankSetting,
    Vatting,
)

__all__ = ["read_document", "read_result", "result_from_document", "result_of", "to_document"]

Kind = TypeVar("Kind")

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
        "summary": asdict(summarise(result)),
        "costs": {
            **asdict(plan.costs),
            "total": plan.costs.total,
            "changeable": plan.costs.changeable,
        },
        "proof": _proof(plan),
        "loads": plan.loads,
        "purchases": plan.purchases,
        "runs": [_with_inputs(asdict(row)) for row in plan.runs],
        "let_downs": [_with_inputs(asdict(row)) for row in plan.let_downs],
        "vattings": plan.vattings,
        "stocks": plan.stocks,
        "tank_settings": plan.tank_settings,
        "demand": [_with_served(asdict(row)) for row in plan.demand],
        "feints_sales": plan.feints_sales,
        "guarantee_use": plan.guarantee_use,
        "duty_due": plan.duty_due,
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


def _with_inputs(row: dict[str, Any]) -> dict[str, Any]:
    names = ("liquid", "origin_class", "lpa")
    return row | {"inputs": [dict(zip(names, one, strict=True)) for one in row["inputs"]]}


def _with_served(row: dict[str, Any]) -> dict[str, Any]:
    names = ("origin_class", "lpa")
    return row | {"served": [dict(zip(names, one, strict=True)) for one in row["served"]]}


def _check(check: Check) -> dict[str, Any]:
    return asdict(check) | {"worst": check.worst if math.isfinite(check.worst) else None}


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
    rows = document.model_dump(by_alias=True)
    plan = Plan(
        scenario_name=document.scenario_name,
        currency=document.currency,
        quarter_periods=document.quarter_periods,
        period_starts=tuple(row["first_day"] for row in rows["periods"]),
        loads=tuple(_load(row) for row in rows["loads"]),
        purchases=tuple(Purchase(**row) for row in rows["purchases"]),
        runs=tuple(Run(**_without_names(row, "inputs")) for row in rows["runs"]),
        let_downs=tuple(LetDown(**_without_names(row, "inputs")) for row in rows["let_downs"]),
        vattings=tuple(Vatting(**row) for row in rows["vattings"]),
        stocks=tuple(StockLevel(**row) for row in rows["stocks"]),
        tank_settings=tuple(TankSetting(**row) for row in rows["tank_settings"]),
        demand=tuple(DemandServed(**_without_names(row, "served")) for row in rows["demand"]),
        feints_sales=tuple(FeintsSale(**row) for row in rows["feints_sales"]),
        guarantee_use=tuple(GuaranteeUse(**row) for row in rows["guarantee_use"]),
        duty_due=tuple(DutyDue(**row) for row in rows["duty_due"]),
        costs=CostBreakdown(**_without(rows["costs"], "total", "changeable")),
        proof=_read_proof(_without(rows["proof"], "gap", "gap_changeable")),
    )
    checks = tuple(
        Check(**(row | {"worst": math.inf if row["worst"] is None else row["worst"]}))
        for row in rows["checks"]
    )
    return PlanResult(
        plan=plan,
        report=CheckReport(checks),
        unmet=tuple((row["priority"], row["unmet"]) for row in rows["priorities"]),
        findings=tuple(Finding(**row) for row in rows["findings"]),
        holds=tuple(HoldCost(**row) for row in rows["holds"]),
        explanations=document.explanations,
        misses=_rows(Miss, rows["misses"]),
        held_loads=_rows(HeldLoad, rows["held_loads"]),
        inputs=document.inputs,
        register=document.register_name,
        chain_head=document.chain_head,
    )


def _rows(
    kind: Callable[..., Kind], rows: Iterable[dict[str, Any]] | None
) -> tuple[Kind, ...] | None:
    return None if rows is None else tuple(kind(**row) for row in rows)


def _read_proof(row: dict[str, Any]) -> Proof:
    bound = -math.inf if row["bound"] is None else row["bound"]
    prices = tuple(
        RulePrice(**(one | {"by_period": tuple(one["by_period"])})) for one in row["prices"]
    )
    repairs = tuple(row["repairs"])
    return Proof(**(row | {"bound": bound, "prices": prices, "repairs": repairs}))


def _load(row: dict[str, Any]) -> PlannedLoad:
    parts = tuple(CargoPart(**part) for part in row["parts"])
    return PlannedLoad(**(row | {"parts": parts, "kind": LoadKind(row["kind"])}))


def _without(row: dict[str, Any], *names: str) -> dict[str, Any]:
    return {name: value for name, value in row.items() if name not in names}


def _without_names(row: dict[str, Any], field: str) -> dict[str, Any]:
    return row | {field: tuple(tuple(one.values()) for one in row[field])}
