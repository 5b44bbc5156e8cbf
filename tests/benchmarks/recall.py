"""How quickly a recall answers in a large register, beside reading the whole graph each time.

Run by hand::

    python -m tests.benchmarks.recall --lots 100000 --seed 1 --json

makes a register in a temporary folder (SQLite, or ``--database URL`` for a server's empty
schema): of every eleven lots one is neutral spirit, ten are distillates drawn from two of the
last spirit lots, over ten years; one distillate in ten goes into a load with the one before, is
received at one of twelve bottlers and bottled on two days, with a range of codes. Asked are the
spirit lot that reaches most bottles of a sample, and a bottle by its code, five times in fresh
sessions; the balances, and whether they are what the records add up to. The alternative asked
beside it in the same run reads every link of the register into a networkx graph and takes its
descendants: what one writes first.
"""

from __future__ import annotations

import argparse
import json
import platform
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import networkx as nx
from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.account.agreement import disagreements
from bulkflow.account.bodies import (
    Bottling,
    BottlingSource,
    CodeRange,
    SourceKind,
)
from bulkflow.account.held_liquid import held_liquid
from bulkflow.account.ledger import balances_on
from bulkflow.account.recall import behind_bottle, beyond_lot
from bulkflow.account.recall_picture import recall_picture
from bulkflow.account.tables import ACCOUNT, BOTTLING, SOURCE_TABLE
from bulkflow.loads.bodies import Load, LoadPart, LoadState, LoadStep, LotShare
from bulkflow.loads.queries import find_load
from bulkflow.loads.tables import LOAD, LOAD_STEP, LOADS
from bulkflow.lots.bodies import Draw, Lot, Measurement, Origin, Parent
from bulkflow.lots.register import open_register
from bulkflow.lots.tables import DRAW, DRAW_TABLE, LOT, PARENT_TABLE
from bulkflow.lots.trusted import refuse_untrue
from bulkflow.records import Actor, Store, append_many, is_current, settings_for

SITES = [f"bottler-{number}" for number in range(1, 13)]
HALF = Decimal("4000.000")


def main(arguments: list[str] | None = None) -> None:
    asked = _parsed(arguments)
    with tempfile.TemporaryDirectory() as folder:
        settings = settings_for(folder, asked.database)
        with open_register(settings, LOADS, ACCOUNT, clock=_ticking()) as store:
            begun = time.perf_counter()
            fill(store, asked.lots, asked.seed)
            filled = time.perf_counter() - begun
            report = ask(store, asked.lots, asked.seed)
    report["instance"] = {
        "lots": asked.lots,
        "seed": asked.seed,
        "database": settings.url.get_backend_name(),
        "fill_seconds": round(filled, 1),
    }
    report["machine"] = {"python": platform.python_version(), "networkx": nx.__version__}
    if asked.json:
        print(json.dumps(report, indent=2))
        return
    for name, figures in report["questions"].items():
        print(f"{name:28s} {figures['median']:8.3f} s  worst {figures['worst']:8.3f} s"
              f"  reached {figures['reached']}")  # fmt: skip
    print(f"whole graph / recall: {report['ratio']}")


def fill(store: Store, lots: int, seed: int) -> None:
    """Write the register in a few large transactions, without asking the acts' questions."""
    rng = random.Random(seed)
    actor = Actor("bench", "bench")
    made = _lots(lots, rng)
    with store.write(actor) as session:
        append_many(session, LOT, [(lot, None) for lot in made])
    distilled = [lot for lot in made if lot.parents]
    pairs = list(zip(distilled[::10], distilled[1::10], strict=False))
    with store.write(actor) as session:
        draws = [
            Draw(lot_id=lot.lot_id, load_id=f"T{number:06d}", lpa=HALF, on=_leaving(pair))
            for number, pair in enumerate(pairs)
            for lot in pair
        ]
        append_many(session, DRAW, [(draw, None) for draw in draws])
        loads = [_load(number, pair) for number, pair in enumerate(pairs)]
        append_many(session, LOAD, [(load, None) for load in loads])
        for state, day in ((LoadState.DEPARTED, "leaving"), (LoadState.DISCHARGED, "discharge")):
            steps = [
                LoadStep(load_id=load.load_id, state=state, on=getattr(load, f"{day}_day"))
                for load in loads
            ]
            append_many(session, LOAD_STEP, [(step, None) for step in steps])
        bottlings = [_bottling(load, half) for load in loads for half in (1, 2)]
        append_many(session, BOTTLING, [(one, None) for one in bottlings])


def ask(store: Store, lots: int, seed: int) -> dict[str, Any]:
    """Ask each question five times; return medians, the worst, and the ratio."""
    rng = random.Random(seed)
    spirits = [f"L{number:06d}" for number in range(0, lots, 11)]
    sample = rng.sample(spirits, min(40, len(spirits)))
    with store.read() as session:
        widest = max(sample, key=lambda name: len(beyond_lot(session, name).reached))
        graph = whole_graph(session)
        found = beyond_lot(session, widest)
        same = {f"{kind.value} {name}" for kind, name in ((o.kind, o.name) for o in found.reached)}
        # The graph knows nothing of what may have mixed in a tank: recall finds more, never less.
        agree = same >= {f"lot {widest}", *nx.descendants(graph, f"lot {widest}")}
    code = "T000003-1-0042"
    with store.read() as session:
        shares = {share.lot_id for share in find_load(session, "T000003").shares}
    questions: dict[str, Callable[[Session], Any]] = {
        "beyond a spirit lot": lambda s: beyond_lot(s, widest),
        "behind a bottle's code": lambda s: behind_bottle(s, code),
        "balances": balances_on,
        "balances, and by the records": disagreements,
        "held lots behind a load": lambda s: held_liquid(s, "load", "T000003"),
        "what a load rests on, verified": lambda s: refuse_untrue(
            s, sorted(shares), ["T000003"], what="the load sheet"
        ),
        "the whole graph, networkx": lambda s: nx.descendants(whole_graph(s), f"lot {widest}"),
    }
    timed = {name: _timed(store, question) for name, question in questions.items()}
    begun = time.perf_counter()
    recall_picture(found)
    drawn = time.perf_counter() - begun
    ratio = timed["the whole graph, networkx"]["median"] / timed["beyond a spirit lot"]["median"]
    return {
        "questions": timed,
        "picture_seconds": round(drawn, 3),
        "agrees_with_the_whole_graph": agree,
        "ratio": round(ratio, 1),
    }


def whole_graph(session: Session) -> nx.DiGraph:
    """Read every link there is: the named alternative."""
    graph = nx.DiGraph()
    parent, draw, source = PARENT_TABLE.c, DRAW_TABLE.c, SOURCE_TABLE.c
    query = select(parent.parent_id, parent.lot_id).where(is_current(parent.seq))
    graph.add_edges_from((f"lot {a}", f"lot {b}") for a, b in session.execute(query))
    query = select(draw.lot_id, draw.load_id).where(is_current(draw.seq))
    graph.add_edges_from((f"lot {a}", f"load {b}") for a, b in session.execute(query))
    query = select(source.source_id, source.bottling_id).where(is_current(source.seq))
    graph.add_edges_from((f"load {a}", f"bottling {b}") for a, b in session.execute(query))
    return graph


def _timed(store: Store, question: Callable[[Session], Any]) -> dict[str, Any]:
    seconds, processor = [], []
    for _ in range(5):
        with store.read() as session:
            begun, busy = time.perf_counter(), time.process_time()
            answer = question(session)
            seconds.append(time.perf_counter() - begun)
            processor.append(time.process_time() - busy)
    reached = answer.reached if hasattr(answer, "reached") else answer or ()
    return {
        "median": round(statistics.median(seconds), 4),
        "worst": round(max(seconds), 4),
        "processor": round(statistics.median(processor), 4),
        "reached": len(reached),
    }


def _lots(count: int, rng: random.Random) -> list[Lot]:
    made: list[Lot] = []
    spirits: list[str] = []
    for number in range(count):
        name = f"L{number:06d}"
        parents: tuple[Parent, ...] = ()
        if number % 11 == 0:
            spirits.append(name)
        else:
            chosen = rng.sample(spirits[-40:], min(2, len(spirits)))
            parents = tuple(Parent(lot_id=one, lpa=Decimal("100.000")) for one in chosen)
        made.append(
            Lot(
                lot_id=name,
                liquid_id="dry" if parents else "neutral",
                origin=Origin.MADE if parents else Origin.RECEIVED,
                made_on=date(2017, 1, 1) + timedelta(days=number * 3650 // count),
                site_id="still",
                measurement=_measurement(),
                parents=parents,
            )
        )
    return made


def _measurement() -> Measurement:
    return Measurement(
        strength_by="stated",
        quantity_by="volume",
        volume_litres=Decimal(20000),
        volume_temperature_c=Decimal(20),
        strength_percent=Decimal(50),
        litres_20c=Decimal(20000),
        lpa=Decimal(10000),
        rounding="nearest-0.001",
    )


def _leaving(pair: tuple[Lot, Lot]) -> date:
    """Twenty days after the later lot was made."""
    return max(lot.made_on or date.min for lot in pair) + timedelta(days=20)


def _load(number: int, pair: tuple[Lot, Lot]) -> Load:
    shares = tuple(
        LotShare(lot_id=lot.lot_id, lpa=HALF, strength_percent=Decimal(50)) for lot in pair
    )
    part = LoadPart(
        liquid_id="dry",
        lpa=2 * HALF,
        strength_percent=Decimal(50),
        litres_20c=4 * HALF,
        shares=shares,
    )
    leaving = _leaving(pair)
    return Load(
        load_id=f"T{number:06d}",
        lane_id="lane",
        origin="still",
        destination=SITES[number % len(SITES)],
        tank_type="T",
        loading_day=leaving,
        leaving_day=leaving,
        arrival_day=leaving + timedelta(days=12),
        discharge_day=leaving + timedelta(days=14),
        usable_day=leaving + timedelta(days=14),
        parts=(part,),
    )


def _bottling(load: Load, half: int) -> Bottling:
    name = f"{load.load_id}-{half}"
    source = BottlingSource(kind=SourceKind.LOAD, source_id=load.load_id, liquid_id="dry", lpa=HALF)
    return Bottling(
        bottling_id=name,
        site_id=load.destination,
        product_id="DRY-700",
        on=load.discharge_day + timedelta(days=5 * half),
        sources=(source,),
        cases=1500,
        bottles_per_case=6,
        bottle_ml=Decimal(700),
        strength_percent=Decimal(41),
        lpa_bottled=Decimal(3980),
        codes=(CodeRange(first=f"{name}-0001", last=f"{name}-9000"),),
    )


def _ticking() -> Callable[[], datetime]:
    now = datetime(2026, 1, 1, tzinfo=UTC)

    def clock() -> datetime:
        nonlocal now
        now += timedelta(milliseconds=1)
        return now

    return clock


def _parsed(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--lots", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--database", help="URL of an empty database (default: SQLite)")
    parser.add_argument("--json", action="store_true")
    return parser.parse_args(sys.argv[1:] if arguments is None else arguments)


if __name__ == "__main__":
    main()
