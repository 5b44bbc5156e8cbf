"""Sheets as print-ready pages: one self-contained HTML file each, for A4, black on white."""

from __future__ import annotations

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined

from bulkflow.loads.arrival import (
    NOSING_ML,
    NOSING_PERCENT,
    NOSING_REST_MINUTES,
    SAMPLING,
    Arrival,
)
from bulkflow.loads.reducing import on_label
from bulkflow.loads.sheet import LoadSheet
from bulkflow.paper import stylesheet
from bulkflow.wording import money

__all__ = ["arrival_html", "load_sheet_html"]


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("bulkflow.loads", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def load_sheet_html(sheet: LoadSheet) -> str:
    """Return a load sheet as the text of an HTML file."""
    seals_on = [seal for one in sheet.steps for seal in one.step.seals]
    page = _environment().get_template("load_sheet.html")
    style = stylesheet(f"Load sheet {sheet.load.load_id}", sheet.chain_head)
    overleaf = [one for one in sheet.cautions if one not in sheet.loading_cautions]
    return page.render(sheet=sheet, seals_on=seals_on, style=style, overleaf=overleaf, money=money)


def arrival_html(sheet: Arrival) -> str:
    """Return an arrival and reduction sheet as the text of an HTML file."""
    page = _environment().get_template("arrival_sheet.html")
    return page.render(
        sheet=sheet,
        style=stylesheet(f"Arrival sheet {sheet.load.load_id}", sheet.chain_head),
        sampling=SAMPLING,
        nosing_percent=NOSING_PERCENT,
        nosing_ml=NOSING_ML,
        rest=NOSING_REST_MINUTES,
        on_label=on_label,
    )
