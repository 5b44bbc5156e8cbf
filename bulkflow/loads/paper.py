"""Sheets as print-ready pages: one self-contained HTML file each, for A4, black on white."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from jinja2 import Environment, PackageLoader, StrictUndefined

if TYPE_CHECKING:
    from bulkflow.loads.sheet import LoadSheet

__all__ = ["load_sheet_html"]


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
    return page.render(sheet=sheet, seals_on=seals_on)
