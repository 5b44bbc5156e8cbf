"""The certificate of analysis of a lot: a page to print, sign and send with it.

It belongs to one lot and does not expire. It states what was found, by which method and
laboratory, with its uncertainty and the limit, as the register stood; nothing is written for a lot
that may not ship.
"""

from __future__ import annotations

from dataclasses import dataclass

from jinja2 import Environment, PackageLoader, StrictUndefined
from sqlalchemy.orm import Session

from bulkflow.errors import PlanningError
from bulkflow.lots.analysis import Analysis, analyses_of
from bulkflow.lots.explaining import explain_lot, plain_number
from bulkflow.lots.queries import LotLine
from bulkflow.lots.samples import kept_samples
from bulkflow.paper import short_head, stylesheet
from bulkflow.records.chain import head

__all__ = ["Certificate", "CertificateLine", "certificate", "certificate_html"]


@dataclass(frozen=True, slots=True)
class CertificateLine:
    """One result as the page shows it."""

    analyte: str
    found: str
    uncertainty: str
    limit: str
    method: str
    laboratory: str
    measured_on: str
    call: str


@dataclass(frozen=True, slots=True)
class Certificate:
    """What a certificate says of a lot, and the head of the chain it rests on."""

    lot: LotLine
    lines: tuple[CertificateLine, ...]
    samples: tuple[str, ...]
    market: str | None
    chain_head: str


def certificate(session: Session, lot_id: str, *, market: str | None = None) -> Certificate:
    """Return the certificate of a lot.

    Parameters
    ----------
    market : with the limits of this market, beside those for all.

    Raises
    ------
    InputError
        If the lot is not in the register.
    PlanningError
        While a gate of the lot is closed.
    """
    explained = explain_lot(session, lot_id)
    closed = [state for state in explained.gates if not state.is_open]
    if closed:
        words = "; ".join(f"{state.gate.value}: {state.reason}" for state in closed)
        raise PlanningError(f"{lot_id} gets no certificate: {words}.")
    lines = tuple(
        _line(one) for one in analyses_of(session, lot_id) if one.market in (None, market)
    )
    samples = tuple(one.sample_id for one in kept_samples(session, lot_id=lot_id))
    return Certificate(explained.lot, lines, samples, market, str(head(session)))


def _line(one: Analysis) -> CertificateLine:
    result = one.result
    sign = "" if result.qualifier == "=" else result.qualifier
    found = f"{sign}{plain_number(result.value)} {result.unit}"
    if one.value is not None and result.unit != one.unit:
        found += f" ({sign}{one.value:.3g} {one.unit})"
    spread = "not stated"
    if result.uncertainty is not None:
        spread = f"{plain_number(2 * result.uncertainty)} {result.unit} (k = 2)"
    bounds = [
        f"{word} {plain_number(bound)}"
        for word, bound in (("at least", one.minimum), ("at most", one.maximum))
        if bound is not None
    ]
    return CertificateLine(
        analyte=one.analyte,
        found=found,
        uncertainty=spread,
        limit="not detectable" if one.maximum == 0 else f"{' and '.join(bounds)} {one.unit}",
        method=result.method or "not stated",
        laboratory=result.laboratory or "not stated",
        measured_on="" if result.measured_on is None else result.measured_on.isoformat(),
        call="bound" if one.judged is None else one.judged.call.value,
    )


def certificate_html(found: Certificate) -> str:
    """Return the page: complete in itself, every text escaped."""
    environment = Environment(
        loader=PackageLoader("bulkflow.account"), autoescape=True, undefined=StrictUndefined
    )
    page = environment.get_template("certificate.html")
    what = f"Certificate of analysis, lot {found.lot.lot_id}"
    style = stylesheet(what, found.chain_head)
    return page.render(one=found, style=style, short=short_head(found.chain_head))
