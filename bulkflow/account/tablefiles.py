"""Gaugings and bottlings in CSV tables: a row each, all faults told at once, all or nothing."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

from bulkflow.account.bodies import Bottling, BottlingSource, CodeRange, SourceKind
from bulkflow.account.gauging import Reading
from bulkflow.reading.cells import CellTrouble, read_written_number
from bulkflow.reading.rows import Row, read_sheet
from bulkflow.reading.words import did_you_mean, shown
from bulkflow.scenario.model import Product

__all__ = [
    "BOTTLING_COLUMNS",
    "READING_COLUMNS",
    "bottled_lpa",
    "read_bottlings",
    "read_readings",
    "source_of",
]

READING_COLUMNS = (
    ("liquid_id", "temperature"),
    (
        "gross_kg", "tare_kg", "volume", "volume_unit", "density_kg_m3", "hydrometer_percent",
        "proof", "stated_percent", "sample_temperature", "temperature_unit", "quantity_limit",
        "strength_limit", "temperature_limit", "heel_lpa", "as_lot",
    ),
)  # fmt: skip
BOTTLING_COLUMNS = (
    ("bottling_id", "site_id", "product_id", "on", "sources", "cases"),
    (
        "bottles_per_case",
        "bottle_ml",
        "strength_percent",
        "lpa_bottled",
        "codes",
        "note",
        "market",
        "reason",
    ),
)
_UNITS: Mapping[str, tuple[str, ...]] = {
    "volume_unit": ("L", "US gal"),
    "temperature_unit": ("C", "F"),
}
_TEXTS = frozenset({"liquid_id", "as_lot", *_UNITS})


def read_readings(path: Path) -> list[tuple[str, Reading, Decimal | None, str | None]]:
    """Return (liquid, reading, heel LPA, lot it became) of each row of a table.

    Raises
    ------
    InputError
        With every fault of the table.
    """
    needed, more = READING_COLUMNS
    sheet = read_sheet(path, "readings", needed=needed, known=(*needed, *more))
    found = []
    for row in sheet.rows:
        names = [name for name in (*needed, *more) if name not in _TEXTS and name != "heel_lpa"]
        values: dict[str, Any] = {name: row.number(name) for name in names}
        for name, units in _UNITS.items():
            if row.text(name) is not None:
                values[name] = row.choice(name, units)
        liquid, heel = row.needed("liquid_id"), row.number("heel_lpa")
        as_lot = row.text("as_lot")
        if not row.faults and liquid is not None:
            given = {name: value for name, value in values.items() if value is not None}
            found.append((liquid, Reading(**given), heel, as_lot))
    sheet.raise_faults()
    return found


def read_bottlings(path: Path, products: Mapping[str, Product]) -> list[Bottling]:
    """Return the bottlings of a table; what is left empty is taken from the product.

    ``sources`` are words such as ``load:W-101=8000`` or ``stock:VK-DRY=500`` with ``;``
    between them, the liquid being the product's; ``codes`` are ranges ``first..last``.

    Raises
    ------
    InputError
        With every fault of the table.
    """
    needed, more = BOTTLING_COLUMNS
    sheet = read_sheet(path, "bottlings", needed=needed, known=(*needed, *more))
    found = [_bottling(row, products) for row in sheet.rows]
    sheet.raise_faults()
    return [one for one in found if one is not None]


def _bottling(row: Row, products: Mapping[str, Product]) -> Bottling | None:
    product = products.get(row.needed("product_id") or "")
    if product is None:
        mend = did_you_mean(row.plain("product_id"), sorted(products))
        row.fault("product_id", "is no product of the workspace", mend)
    cases, per_case = row.count("cases", needed=True), row.count("bottles_per_case")
    ml, strength = row.number("bottle_ml"), row.number("strength_percent")
    lpa = row.number("lpa_bottled")
    values: dict[str, Any] = {
        "bottling_id": row.needed("bottling_id"),
        "site_id": row.needed("site_id"),
        "on": row.day("on", needed=True),
        "sources": [_read(row, text, product) for text in row.words("sources")],
        "codes": [_range(row, text) for text in row.words("codes")],
        "note": row.text("note"),
        "market": row.text("market"),
        "reason": row.text("reason"),
    }
    if row.faults or product is None or cases is None:
        return None
    per_case = product.bottles_per_case if per_case is None else per_case
    ml = _decimal(product.bottle_ml) if ml is None else ml
    strength = _decimal(product.strength_percent) if strength is None else strength
    if lpa is None:
        lpa = bottled_lpa(Decimal(cases), Decimal(per_case), ml, strength)
    values |= {
        "product_id": product.id,
        "cases": cases,
        "bottles_per_case": per_case,
        "bottle_ml": ml,
        "strength_percent": strength,
        "lpa_bottled": lpa,
    }
    return row.build(Bottling, values)


def bottled_lpa(cases: Decimal, per_case: Decimal, ml: Decimal, strength: Decimal) -> Decimal:
    """Return LPA in cases of bottles, to 0.001.

    Examples
    --------
    >>> bottled_lpa(Decimal(100), Decimal(6), Decimal(700), Decimal(40))
    Decimal('168.000')
    """
    return (cases * per_case * ml / 1000 * strength / 100).quantize(Decimal("0.001"))


def source_of(text: str, liquid_id: str) -> BottlingSource:
    """Return a source given as ``load:NAME=LPA``, ``lot:NAME=LPA`` or ``stock:LIQUID=LPA``.

    A load may name the liquid meant, where it is another than the product's:
    ``load:NAME/LIQUID=LPA``.

    Raises
    ------
    ValueError
        If it is none of these.
    """
    head, sign, amount = text.rpartition("=")
    kind, colon, name = head.partition(":")
    if not sign or not colon:
        raise ValueError("has no kind, name and amount")
    name, slash, liquid = name.rpartition("/") if kind != "stock" else (name, "", "")
    if not slash:
        name, liquid = (name, name) if kind == "stock" else (liquid, liquid_id)
    return BottlingSource.model_validate(
        {"kind": SourceKind(kind), "source_id": name, "liquid_id": liquid, "lpa": amount}
    )


def _read(row: Row, text: str, product: Product | None) -> BottlingSource | None:
    head, sign, amount = text.rpartition("=")
    number = read_written_number(amount.strip(), row.grid.style)
    if sign and isinstance(number, CellTrouble):
        row.fault("sources", f"is {shown(text)}, whose amount {number.found}", number.mend)
        return None
    try:
        return source_of(f"{head}{sign}{number}", product.liquid if product is not None else "-")
    except ValueError:
        mend = "Give load:NAME=LPA, lot:NAME=LPA or stock:LIQUID=LPA, with ; between them."
        row.fault("sources", f"is {shown(text)}", mend)
        return None


def _range(row: Row, text: str) -> CodeRange | None:
    first, dots, last = text.partition("..")
    try:
        return CodeRange(first=first.strip(), last=(last if dots else first).strip())
    except ValueError:
        row.fault("codes", f"is {shown(text)}", "Give first..last, of one length, in order.")
        return None


def _decimal(value: float) -> Decimal:
    return Decimal(repr(value)).quantize(Decimal("0.001"))
