"""A quarter's return as a page to print and sign: each site on a sheet of its own."""

from __future__ import annotations

from itertools import groupby

from jinja2 import Environment, PackageLoader, StrictUndefined

from bulkflow.account.return_files import return_sha256, return_status
from bulkflow.account.returns import CLOSING, OPENING, QuarterReturn, ReturnLine
from bulkflow.paper import stylesheet
from bulkflow.wording import money

__all__ = ["return_html"]


def return_html(found: QuarterReturn, producer: str, names: dict[str, str]) -> str:
    """Return a return as the text of one HTML file.

    Parameters
    ----------
    producer : whose return it is.
    names : of sites, by id, where they have one.
    """
    environment = Environment(
        loader=PackageLoader("bulkflow.account", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("return.html").render(
        found=found,
        producer=producer,
        names=names,
        liquids=_liquids(found),
        status=return_status(found),
        sha256=return_sha256(found),
        site_sha256={site: return_sha256(found, site) for site in found.sites},
        style=stylesheet(f"Return {found.quarter}: {', '.join(found.sites)}", found.chain_head),
        sums=(OPENING, CLOSING),
        money=money,
    )


def _liquids(found: QuarterReturn) -> dict[str, list[tuple[str, list[ReturnLine]]]]:
    """Return the lines of each site by liquid, in the order of the account."""
    return {
        site: [
            (liquid, list(lines))
            for liquid, lines in groupby(
                (line for line in found.lines if line.site_id == site),
                key=lambda line: line.liquid_id,
            )
        ]
        for site in found.sites
    }
