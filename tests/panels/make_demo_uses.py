"""Make the invented answers and scores of the demo's uses.

    python -m tests.panels.make_demo_uses scenarios/vejkalna

What is true (who notices, which run is off, who drifts) is set here; everything else is drawn with
fixed seeds. The tables it writes are kept in the scenario, and tests show what they lead to.
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from panels.methods.protocols import ForcedChoice, presentation_orders
from panels.methods.sequential import SequentialDecision, SequentialPlan

CANDIDATES = [f"A{i}" for i in range(1, 13)]
PRODUCTS = {"VK-DRY": 7.5, "VK-DRY aged": 6.2, "VK-DRY heads": 4.6, "VK-CIT": 7.0, "feinty": 3.4}
STEP = 0.5


def write(path: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)


def on_scale(value: float, highest: float = 10.0) -> float:
    return float(np.clip(round(value / STEP) * STEP, 0.0, highest))


def orders(test: ForcedChoice, n: int, rng: np.random.Generator) -> list[str]:
    """Serving orders used equally often, in a drawn sequence."""
    possible = ["".join(order) for order in presentation_orders(test)]
    wanted = (possible * (n // len(possible) + 1))[:n]
    return [str(order) for order in rng.permutation(wanted)]


def source(folder: Path) -> None:
    """Four deliveries, 36 people each; hardly anybody notices anything."""
    rng = np.random.default_rng(4)
    rows = []
    for number, (delivery, noticing) in enumerate(
        {"K-2641": 0.0, "K-2643": 0.03, "K-2645": 0.0, "K-2648": 0.06}.items()
    ):
        day = date(2026, 10, 12) + timedelta(days=14 * number)
        for person, order in enumerate(orders(ForcedChoice.TRIANGLE, 36, rng), start=1):
            right = rng.random() < 1 / 3 + noticing * 2 / 3
            rows.append((delivery, day.isoformat(), f"P{person:02d}", int(right), order))
    write(folder / "source.csv", ("delivery", "date", "assessor", "correct", "order"), rows)


def site(folder: Path) -> None:
    """Three trial runs and the blind control, ten people, twice each."""
    rng = np.random.default_rng(12)
    runs = {"control": 0.0, "run 1": 0.5, "run 2": 0.2, "run 3": 0.3}
    rows = []
    for person in CANDIDATES[:10]:
        level = rng.normal(1.1, 0.5)
        own = {run: rng.normal(0.0, 0.25) for run in runs}
        for day in ("2026-11-09", "2026-11-11"):
            for run, gap in runs.items():
                rating = on_scale(level + gap + own[run] + rng.normal(0.0, 0.6))
                rows.append((run, day, person, rating))
    write(folder / "site.csv", ("run", "date", "assessor", "difference"), rows)


def arrival(folder: Path) -> None:
    """Three loads: one as sent, one changed on the way, one that few people cannot settle."""
    rng = np.random.default_rng(1)
    loads = {
        "W-088": ("2026-10-20", 0.0),
        "W-091": ("2026-11-10", 0.9),
        "W-094": ("2026-12-01", 0.3),
    }
    plan = SequentialPlan.for_method(ForcedChoice.TRIANGLE, p_d=0.5, alpha=0.10, beta=0.10)
    rows = []
    for load, (day, noticing) in loads.items():
        answers: list[int] = []
        for person, order in enumerate(orders(ForcedChoice.TRIANGLE, 18, rng), start=1):
            answers.append(int(rng.random() < 1 / 3 + noticing * 2 / 3))
            rows.append((load, day, f"N{person:02d}", answers[-1], order))
            if plan.decide(answers).decision is not SequentialDecision.UNDECIDED:
                break
    write(folder / "arrival.csv", ("load", "date", "assessor", "correct", "order"), rows)


def off_note(folder: Path) -> None:
    """Directed tests of the autumn, and the answers on the suspected lot."""
    rng = np.random.default_rng(9)
    sharp = {
        "sulphury": {"A2": 0.9, "A4": 0.85, "A5": 0.9, "A7": 0.7, "A9": 0.95, "A11": 0.75},
        "musty": {"A1": 0.8, "A4": 0.9, "A6": 0.7, "A10": 0.9},
    }
    records = []
    for note, known in sharp.items():
        for person in CANDIDATES:
            chance = 1 / 3 + 2 / 3 * known.get(person, 0.05)
            records.append((person, note, int(rng.binomial(12, chance)), 12))
    write(folder / "records.csv", ("assessor", "off_note", "correct", "trials"), records)
    rows = []
    for person in CANDIDATES:
        known = sharp["sulphury"].get(person, 0.0)
        for order in orders(ForcedChoice.THREE_AFC, 3, rng):
            right = rng.random() < 1 / 3 + 2 / 3 * 0.8 * known
            rows.append(("VK-CIT-2642", "2026-12-18", person, int(right), order))
    write(folder / "off_note.csv", ("lot", "date", "assessor", "correct", "order"), rows)


def panel(folder: Path) -> None:
    """A trial of five known products, and the blind reference over 24 sittings."""
    rng = np.random.default_rng(8)
    rows = []
    middle = float(np.mean(list(PRODUCTS.values())))
    for person in CANDIDATES:
        level, use, noise = rng.normal(0.0, 0.3), rng.normal(1.0, 0.1), 0.5
        level = 1.6 if person == "A3" else level  # scores high throughout
        use = 0.3 if person == "A8" else use  # hardly leaves the middle of the scale
        noise = 1.7 if person == "A12" else noise  # cannot repeat a score
        for day in ("2026-09-07", "2026-09-09", "2026-09-11"):
            for product, truth in PRODUCTS.items():
                score = middle + use * (truth - middle) + level + rng.normal(0.0, noise)
                rows.append((day, person, product, on_scale(score)))
    write(folder / "trial.csv", ("date", "assessor", "product", "score"), rows)
    rows = []
    levels = {person: rng.normal(0.0, 0.3) for person in CANDIDATES}
    for number in range(24):
        day = date(2026, 9, 15) + timedelta(days=[0, 2][number % 2] + 7 * (number // 2))
        for person in CANDIDATES:
            if person in ("A3", "A8", "A12"):
                continue  # did not meet the rule
            drift = -0.2 * max(0, number - 11) if person == "A10" else 0.0
            score = on_scale(7.5 + levels[person] + drift + rng.normal(0.0, 0.45))
            rows.append((f"S{number + 1:02d}", day.isoformat(), person, score))
    write(folder / "reference.csv", ("sitting", "date", "assessor", "score"), rows)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.panels.make_demo_uses")
    parser.add_argument("scenario", type=Path)
    folder = parser.parse_args().scenario / "panel" / "uses"
    for make in (source, site, arrival, off_note, panel):
        make(folder)


if __name__ == "__main__":
    main()
