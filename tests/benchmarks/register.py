"""How quickly a register of many lots answers: listing, status, parentage both ways.

Run by hand::

    python -m tests.benchmarks.register --lots 100000 --seed 1 --json

makes a register in a temporary folder (SQLite, or ``--database URL`` for a server's empty
schema): one lot in five is neutral spirit received, the others are distillates drawn from two
lots of an earlier layer, four layers deep; each lot has ``--results`` laboratory values held
against as many limits, and a decision; one in two hundred has a hold, one in a hundred a value
outside its limit. Each question is asked five times in fresh sessions, warm; the median and the
worst are told in seconds on the clock, and the median in seconds of this process's processor
time (which other work on the machine disturbs less; with a server it leaves out the server's).
The opening position, asked once a plan, is asked once. Beside the listing by status stands the
alternative: the same answer worked out lot by lot from the same database, for a sample of lots,
scaled up.
"""

from __future__ import annotations

import argparse
import json
import platform
import random
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import sqlalchemy
from sqlalchemy.orm import Session

from bulkflow.lots.bodies import (
    Decision,
    Hold,
    Limit,
    Lot,
    Measurement,
    Origin,
    Outcome,
    Parent,
    Result,
)
from bulkflow.lots.explaining import explain_lot
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.opening import opening_position
from bulkflow.lots.parentage import ancestors_of, descendants_of
from bulkflow.lots.queries import LotFilter, count_by_status, list_lots
from bulkflow.lots.register import open_register
from bulkflow.lots.tables import DECISION, HOLD, LIMIT, LOT, RESULT
from bulkflow.lots.trusted import refuse_untrue
from bulkflow.records import Actor, Store, append_many, head, settings_for, verify

LAYERS = 4
LIQUIDS = ("base", "dry", "navy", "old")
SITES = ("still", "depot", "north")
ANALYTES = ("methanol", "esters", "aldehydes", "acidity", "furfural", "extract")


def main(arguments: list[str] | None = None) -> None:
    asked = _parsed(arguments)
    with tempfile.TemporaryDirectory() as folder:
        settings = settings_for(folder, asked.database)
        with open_register(settings, clock=_ticking()) as store:
            made = _timed(lambda: fill(store, asked.lots, asked.results, asked.seed))
            report = ask(store, asked.lots, asked.seed)
        report["machine"] = {
            "python": platform.python_version(),
            "sqlite": sqlite3.sqlite_version,
            "sqlalchemy": sqlalchemy.__version__,
            "processor": platform.machine(),
        }
        report["instance"] = {
            "lots": asked.lots,
            "results_per_lot": asked.results,
            "seed": asked.seed,
            "database": settings.url.get_backend_name(),
            "fill_seconds": round(made, 1),
            "file_mb": round(settings.file.stat().st_size / 1e6) if settings.file else None,
        }
    if asked.json:
        print(json.dumps(report, indent=2))
        return
    for name, figures in report["questions"].items():
        print(
            f"{name:30s} {figures['median']:8.3f} s  worst {figures['worst']:8.3f} s"
            f"  processor {figures['processor']:8.3f} s  found {figures['found']}"
        )
    print(json.dumps({**report, "questions": None}, indent=2))


def fill(store: Store, lots: int, results: int, seed: int) -> None:
    """Write the register, in few large transactions, without asking the acts' questions."""
    rng = random.Random(seed)
    actor = Actor("bench", "bench")
    made = list(_lots(lots, rng))
    with store.write(actor) as session:
        append_many(session, LIMIT, [(limit, None) for limit in _limits(results)])
        append_many(session, LOT, [(lot, None) for lot in made])
    with store.write(actor) as session:
        values = [result for lot in made for result in _results(lot, results, rng)]
        append_many(session, RESULT, [(result, None) for result in values])
    with store.write(actor) as session:
        append_many(session, DECISION, [(_decision(lot, rng), None) for lot in made])
        held = rng.sample(made, max(1, lots // 200))
        append_many(
            session, HOLD, [(Hold(lot_id=lot.lot_id, reason="bench"), None) for lot in held]
        )


def ask(store: Store, lots: int, seed: int) -> dict[str, Any]:
    """Ask each question five times; return medians, worst and what was found."""
    rng = random.Random(seed)
    names = [f"L{number:06d}" for number in rng.sample(range(lots), min(200, lots // 5))]
    with store.read() as session:
        busiest = max(names[:50], key=lambda name: len(descendants_of(session, name)))
    questions: dict[str, Callable[[Session], Any]] = {
        "first page of 50": lambda s: list_lots(s, limit=50),
        "page of 50 in the middle": lambda s: list_lots(s, after=names[0], limit=50),
        "filter liquid and site, 50": lambda s: list_lots(
            s, LotFilter(liquid_id="navy", site_id="depot"), limit=50
        ),
        "filter supplier, 50": lambda s: list_lots(s, LotFilter(supplier_id="S3"), limit=50),
        "all held": lambda s: list_lots(s, LotFilter(status=LotStatus.HELD)),
        "all rejected": lambda s: list_lots(s, LotFilter(status=LotStatus.REJECTED)),
        "held at one site": lambda s: list_lots(
            s, LotFilter(status=LotStatus.HELD, site_id="north")
        ),
        "released, with stock, 50": lambda s: list_lots(
            s, LotFilter(status=LotStatus.RELEASED, with_stock=True), limit=50
        ),
        "count by status": lambda s: count_by_status(s),
        "status of one lot, explained": lambda s: explain_lot(s, names[1]),
        "records one decision rests on, verified": lambda s: refuse_untrue(
            s, [names[1]], what="the decision"
        ),
        "records a load of five lots rests on, verified": lambda s: refuse_untrue(
            s, names[3:8], what="the sheet"
        ),
        "behind one lot": lambda s: ancestors_of(s, names[2]),
        "beyond the busiest lot": lambda s: descendants_of(s, busiest),
        "opening position": lambda s: opening_position(s, date(2027, 1, 1)),
    }
    found: dict[str, Any] = {}
    for name, question in questions.items():
        seconds, processor = [], []
        for _ in range(1 if name == "opening position" else 5):
            with store.read() as session:
                begun, busy = time.perf_counter(), time.process_time()
                answer = question(session)
                seconds.append(time.perf_counter() - begun)
                processor.append(time.process_time() - busy)
        found[name] = {
            "median": round(statistics.median(seconds), 4),
            "worst": round(max(seconds), 4),
            "processor": round(statistics.median(processor), 4),
            "found": len(answer) if isinstance(answer, list | dict) else 1,
        }
    with store.read() as session:
        begun = time.perf_counter()
        for name in names:
            explain_lot(session, name)
        each = (time.perf_counter() - begun) / len(names)
        begun = time.perf_counter()
        checked = verify(session, store.kinds)
        verifying = time.perf_counter() - begun
        last = head(session)
    in_sets = found["count by status"]["median"]
    return {
        "questions": found,
        "lot_by_lot": {
            "seconds_scaled": round(each * lots, 1),
            "ratio_to_count_by_status": round(each * lots / in_sets, 1),
        },
        "verify": {
            "seconds": round(verifying, 1),
            "records": checked.records,
            "whole": checked.broken is None and checked.head == last,
        },
    }


def _lots(count: int, rng: random.Random) -> Iterator[Lot]:
    layers: list[list[str]] = [[] for _ in range(LAYERS)]
    for number in range(count):
        name = f"L{number:06d}"
        depth = 0 if number % 5 == 0 else min(LAYERS - 1, 1 + number % 3)
        above = layers[depth - 1] if depth else []
        parents = rng.sample(above[-400:], 2) if len(above) > 1 else []
        layers[depth].append(name)
        lpa = Decimal(rng.randrange(5_000_000, 20_000_000)).scaleb(-3)
        yield Lot(
            lot_id=name,
            liquid_id=LIQUIDS[depth],
            origin=Origin.MADE if parents else Origin.RECEIVED,
            made_on=date(2016, 1, 1) + timedelta(days=number % 3650),
            site_id=rng.choice(SITES),
            tank_id=f"T{number % 40}",
            measurement=_measurement(lpa),
            spirit_base=rng.choice(("cereal", "molasses", "grape")),
            supplier_id=None if parents else f"S{rng.randrange(6)}",
            restrictions=("no-grape",) if number % 7 == 0 else (),
            markets=("north",) if number % 2 else ("south",),
            parents=tuple(Parent(lot_id=parent, lpa=Decimal("90.000")) for parent in parents),
        )


def _measurement(lpa: Decimal) -> Measurement:
    return Measurement(
        strength_by="stated",
        quantity_by="volume",
        volume_litres=lpa * 2,
        volume_temperature_c=Decimal(20),
        strength_percent=Decimal(50),
        litres_20c=lpa * 2,
        lpa=lpa,
        rounding="nearest-0.001",
    )


def _limits(results: int) -> Iterator[Limit]:
    for liquid in LIQUIDS:
        for place, analyte in enumerate(ANALYTES[:results]):
            yield Limit(
                liquid_id=liquid,
                market="south" if place == results - 1 else None,
                analyte=analyte,
                unit="g/hL of pure alcohol",
                maximum=Decimal(30),
                source="invented for the bench",
            )


def _results(lot: Lot, results: int, rng: random.Random) -> Iterator[Result]:
    bad = rng.randrange(100) == 0
    for place, analyte in enumerate(ANALYTES[:results]):
        value = Decimal(40) if bad and place == 0 else Decimal(rng.randrange(1000)).scaleb(-2)
        yield Result(lot_id=lot.lot_id, analyte=analyte, value=value, unit="g/hL of pure alcohol")


def _decision(lot: Lot, rng: random.Random) -> Decision:
    outcome = rng.choices(list(Outcome), weights=(96, 2, 2))[0]
    return Decision(
        lot_id=lot.lot_id,
        outcome=outcome,
        decided_by="laboratory",
        reason="bench",
        evidence={"made": "for the bench"},
    )


def _ticking() -> Callable[[], datetime]:
    now = datetime(2026, 1, 1, tzinfo=UTC)

    def clock() -> datetime:
        nonlocal now
        now += timedelta(milliseconds=1)
        return now

    return clock


def _timed(work: Callable[[], None]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def _parsed(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--lots", type=int, default=100_000)
    parser.add_argument("--results", type=int, default=4, choices=range(1, len(ANALYTES) + 1))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--database", help="URL of an empty database (default: SQLite)")
    parser.add_argument("--json", action="store_true")
    return parser.parse_args(sys.argv[1:] if arguments is None else arguments)


if __name__ == "__main__":
    main()
