"""Score tables filled in for a planned sitting, to be spoilt by tests one way or another."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from pathlib import Path

from bulkflow.lots.bodies import Lot
from panels.records import Sitting
from panels.sittings.history import find_sitting
from panels.sittings.keys import key_path, read_key
from tests.panels.conftest import register

Rows = list[dict[str, str]]


def sitting_of(folder: Path, name: str) -> Sitting:
    with register(folder) as session:
        return find_sitting(session, name).sitting


def subjects_of(folder: Path, name: str) -> dict[tuple[str, str], str]:
    """What is in each glass; tests may know."""
    key = read_key(key_path(folder, name), sitting=name)
    return {(line.assessor, line.code): line.subject for line in key.lines}


def filled(
    folder: Path,
    name: str,
    quality: Mapping[str, float] | None = None,
    *,
    notes: Mapping[str, Iterable[str]] | None = None,
    note: str = "sulphury",
) -> Rows:
    """Return a whole table: good scores with some spread, each glass nosed in time.

    Parameters
    ----------
    quality : true mean by subject; 7.5 for others.
    notes : by subject, the assessors who name `note` on it.
    """
    sitting, inside = sitting_of(folder, name), subjects_of(folder, name)
    rows: Rows = []
    for number, place in enumerate(sitting.places):
        subject = inside[(place.assessor, place.code)]
        person = sitting.assessors.index(place.assessor)
        # a fixed pattern of half steps that averages out over assessors
        spread = ((person * 3 + number) % 4 - 1.5) / 1.5
        score = (quality or {}).get(subject, 7.5) + 0.5 * spread
        start = 10 * 60 + 50 * (place.flight - 1)
        nosed = start + 15 + 4 * place.position
        named = place.assessor in (notes or {}).get(subject, ())
        rows.append(
            {
                "assessor": place.assessor,
                "code": place.code,
                "poured": f"{start // 60:02d}:{start % 60:02d}",
                "nosed": f"{nosed // 60:02d}:{nosed % 60:02d}",
                "score": f"{round(score * 2) / 2:g}",
                "off_notes": f"{note}:3" if named else "",
                "remarks": "",
            }
        )
    return rows


def written(path: Path, rows: Rows, *, delimiter: str = ",") -> Path:
    """Write a table of scores."""
    stream = io.StringIO()
    table = csv.DictWriter(stream, list(rows[0]), delimiter=delimiter, lineterminator="\n")
    table.writeheader()
    table.writerows(rows)
    path.write_text(stream.getvalue(), encoding="utf-8")
    return path


def made_lot(name: str) -> Lot:
    """A lot of VK-DRY that waits for its first sitting."""
    measured = {
        "strength_by": "stated",
        "quantity_by": "volume",
        "volume_litres": "10000",
        "volume_temperature_c": "20",
        "strength_percent": "80",
        "litres_20c": "10000",
        "lpa": "8000",
        "rounding": "nearest-0.001",
    }
    return Lot.model_validate(
        {
            "lot_id": name,
            "liquid_id": "VK-DRY",
            "origin": "made",
            "site_id": "VEJKALNA",
            "measurement": measured,
        }
    )
