"""What a closed sitting found, on the terminal and as JSON."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from bulkflow.cli.register_options import plain_table
from bulkflow.cli.shell import result_console

if TYPE_CHECKING:
    from panels.methods.mixed_model import Estimate
    from panels.sittings.analysis import LotFigures, SittingAnalysis
    from panels.sittings.deciding import Judgement

__all__ = ["findings_document", "print_findings"]


def print_findings(analysis: SittingAnalysis, judgements: Mapping[str, Judgement]) -> None:
    """Print controls, estimates, off-notes and verdicts."""
    console = result_console()
    console.print(
        "\nControls" + (": a check failed, so the sitting is VOID" if analysis.void else "")
    )
    headings = {"check": "left", "found": "left", "needed": "left", "": "left"}
    rows = [
        [check.what, check.found, check.limit, "ok" if check.passed else "FAILED"]
        for check in analysis.checks
    ]
    console.print(plain_table(headings, rows))
    console.print("Lots: 95 % intervals, Dunnett's p for all lots of a liquid together, and the")
    console.print("robust difference (Algorithm A) beside the model's")
    headings = {
        "lot": "right",
        "n": "right",
        "mean": "right",
        "minus control": "right",
        "p": "right",
        "robust": "right",
    }
    console.print(plain_table(headings, [_row(f) for f in _figures(analysis, judgements)]))
    spread = _spread(_figures(analysis, judgements))
    if spread:
        console.print(f"Spread found (standard deviations): {spread}")
    for figures in _figures(analysis, judgements):
        if len(figures.sittings) > 1:
            together = " and ".join(figures.sittings)
            console.print(f"{figures.lot.lot}: judged on {together} together.")
        for note in figures.off_notes:
            if note.assessors:
                console.print(
                    f"{figures.lot.lot}: {note.note} named by {', '.join(note.assessors)}"
                    f" ({len(note.assessors)} of {note.asked}), expected by false"
                    f" alarm in {note.chance:.2g} of lots" + ("; stops it" if note.stops else "")
                )
    _print_watch(judgements)
    console.print("\nWhat the rule makes of it")
    for name, judgement in judgements.items():
        console.print(f"{name} ({judgement.declared.rule.name}): {judgement.summary}")
    if analysis.deviations:
        console.print("\nDeviations")
        for line in analysis.deviations:
            console.print(f"- {line}")


def _print_watch(judgements: Mapping[str, Judgement]) -> None:
    watched = [line for judgement in judgements.values() for line in judgement.course.watch.words]
    result_console().print("\nThe panel")
    for line in dict.fromkeys(watched):
        result_console().print(f"- {line}")


def _figures(analysis: SittingAnalysis, judgements: Mapping[str, Judgement]) -> list[LotFigures]:
    """Return what this sitting found on its lots, together with those judged with it."""
    return [judgement.course.figures[analysis.name] for judgement in judgements.values()]


def _spread(found: list[LotFigures]) -> str:
    """Say the components of this sitting's own model, to hold against a rule's assumptions."""
    models = [f.model for f in found if f.model is not None and len(f.sittings) == 1]
    if not models:
        return ""
    parts = models[0].components.items()
    return ", ".join(f"{name} {math.sqrt(variance):.2f}" for name, variance in parts)


def _row(figures: LotFigures) -> list[str]:
    robust = figures.robust_difference
    return [
        figures.lot.lot,
        str(figures.assessors),
        _interval(figures.mean),
        _interval(figures.difference, signed=True),
        "-" if figures.dunnett is None else _p_value(figures.dunnett.p_value),
        "-" if robust is None else f"{robust.mean:+.2f}",
    ]


def _p_value(p: float) -> str:
    return "<0.001" if p < 0.0005 else f"{p:.3f}"


def _interval(found: Estimate | None, *, signed: bool = False) -> str:
    if found is None:
        return "-"
    low, high = found.interval()
    sign = "+" if signed else ""
    return f"{found.estimate:{sign}.2f} ({low:{sign}.2f} to {high:{sign}.2f})"


def findings_document(
    analysis: SittingAnalysis, judgements: Mapping[str, Judgement]
) -> dict[str, Any]:
    """Return findings as plain data."""
    return {
        "void": analysis.void,
        "controls": [dataclasses.asdict(check) for check in analysis.checks],
        "deviations": list(analysis.deviations),
        "lots": [_lot(analysis.name, judgement) for judgement in judgements.values()],
    }


def _lot(sitting: str, judgement: Judgement) -> dict[str, Any]:
    figures = judgement.course.figures[sitting]
    return {
        "lot": figures.lot.lot,
        "look": figures.look,
        "sittings": list(figures.sittings),
        "assessors": figures.assessors,
        "rule": judgement.declared.rule.name,
        "verdict": judgement.verdict.value,
        "next_step": judgement.next_step.value,
        "reasons": list(judgement.reasons),
        "variance_components": None if figures.model is None else figures.model.components,
        "mean": _estimate(figures.mean),
        "difference": _estimate(figures.difference),
        "dunnett_p_value": None if figures.dunnett is None else figures.dunnett.p_value,
        "robust_difference": None
        if figures.robust_difference is None
        else dataclasses.asdict(figures.robust_difference),
        "off_notes": [
            {"sitting": sitting, **dataclasses.asdict(note)} for note in figures.off_notes
        ],
    }


def _estimate(found: Estimate | None) -> dict[str, float] | None:
    if found is None:
        return None
    low, high = found.interval()
    return {**dataclasses.asdict(found), "lower_95": low, "upper_95": high}
