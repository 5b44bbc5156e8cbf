"""The serving plan of a sitting: trays as assessors and servers see them, and the key apart.

A plan has two halves that are never printed together: *servings* (assessor, flight, place,
code) and the *key* (assessor, code, what was in the glass). The seed belongs to the key, since
with it the key can be drawn again.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from panels.errors import ServingError
from panels.serving.blocks import incomplete_blocks
from panels.serving.codes import CODES, draw_codes
from panels.serving.orders import Balance, balance_of, balanced_orders, improve_orders

__all__ = [
    "MAX_SERVINGS",
    "FlightBalance",
    "KeyEntry",
    "Purpose",
    "Sample",
    "Serving",
    "ServingPlan",
    "plan_servings",
]

MAX_SERVINGS = 8
"""Most servings nosed by one assessor in a sitting: 6 to 8 for spirits (common practice)."""


class Purpose(StrEnum):
    """Why a sample stands on the tray."""

    LOT = "lot"
    CONTROL = "control"
    REPEAT = "repeat"
    SPIKED = "spiked"
    KNOWN_POOR = "known-poor"


@dataclass(frozen=True, slots=True)
class Sample:
    """Something to be nosed, before codes.

    Attributes
    ----------
    subject : lot number, or name of the reference standard for a control.
    purpose : lot, blind control or blind repeat.
    flight : 1 for the first flight; suspected lots come in a later one.
    copy : 1 for the first glass of this subject and purpose in the flight, 2 for the next.
    """

    subject: str
    purpose: Purpose
    flight: int = 1
    copy: int = 1


@dataclass(frozen=True, slots=True, order=True)
class Serving:
    """One glass on a tray, as the server and the assessor see it."""

    assessor: str
    flight: int
    position: int
    code: str


@dataclass(frozen=True, slots=True, order=True)
class KeyEntry:
    """What was in the glass with a code."""

    assessor: str
    code: str
    subject: str
    purpose: Purpose


@dataclass(frozen=True, slots=True)
class FlightBalance:
    """How even one flight came out.

    Attributes
    ----------
    flight : its number.
    servings : glasses per assessor.
    balance : counts of positions and neighbours.
    block_efficiency : 1 where every assessor noses every lot, below 1 for incomplete blocks.
    """

    flight: int
    servings: int
    balance: Balance
    block_efficiency: float


@dataclass(frozen=True, slots=True)
class ServingPlan:
    """Servings and key of one sitting.

    Attributes
    ----------
    servings : sorted by assessor, flight, position.
    key : sorted by assessor and code; keep it apart.
    seed : redraws the plan; part of the key.
    flights : how even each flight came out.
    """

    servings: tuple[Serving, ...]
    key: tuple[KeyEntry, ...]
    seed: int
    flights: tuple[FlightBalance, ...]


def plan_servings(
    samples: Iterable[Sample],
    assessors: Sequence[str],
    *,
    seed: int,
    max_servings: int = MAX_SERVINGS,
) -> ServingPlan:
    """Lay out trays for a sitting and draw its codes.

    Parameters
    ----------
    samples : everything to be nosed, with its flight.
    assessors : names or initials, no two alike.
    seed : any whole number; the same seed and samples give the same plan.
    max_servings : most servings for one assessor over all flights. Where there are more, the
        lots of the largest flight are spread in incomplete blocks; controls and repeats stay
        with everyone.

    Raises
    ------
    ServingError : nothing to nose, doubled assessors or samples, or more servings than the
        panel can carry.
    """
    listed = sorted(samples, key=lambda s: (s.flight, s.purpose, s.subject, s.copy))
    _check(listed, assessors)
    rng = np.random.default_rng(seed)
    flights: dict[int, list[Sample]] = {}
    for sample in listed:
        flights.setdefault(sample.flight, []).append(sample)
    shortened = _share_out(flights, max_servings)
    trays: list[list[tuple[int, Sample]]] = [[] for _ in assessors]
    balances = []
    for flight, held in sorted(flights.items()):
        orders, efficiency = _orders_of(held, len(assessors), shortened.get(flight), rng)
        for tray, order in zip(trays, orders, strict=True):
            tray += [(place, sample) for place, sample in enumerate(order, start=1)]
        balances.append(FlightBalance(flight, len(orders[0]), balance_of(orders), efficiency))
    servings, key = _coded(trays, assessors, rng)
    return ServingPlan(tuple(sorted(servings)), tuple(sorted(key)), seed, tuple(balances))


def _check(samples: Sequence[Sample], assessors: Sequence[str]) -> None:
    if not samples or not assessors:
        raise ServingError("A sitting needs at least one sample and one assessor.")
    doubled = [name for name, count in Counter(assessors).items() if count > 1]
    if doubled:
        raise ServingError(f"Assessor {doubled[0]} is listed twice. List each assessor once.")
    twice = [sample for sample, count in Counter(samples).items() if count > 1]
    if twice:
        raise ServingError(
            f"{twice[0].subject} stands twice as the same {twice[0].purpose} in flight"
            f" {twice[0].flight}. List it once, and use a blind repeat for a second glass."
        )


def _share_out(flights: dict[int, list[Sample]], max_servings: int) -> dict[int, int]:
    """Lots per assessor in the largest flight, where not everyone can nose everything."""
    total = sum(len(held) for held in flights.values())
    if total <= max_servings:
        return {}
    largest = max(flights, key=lambda f: (_lots(flights[f]), -f))
    lots = _lots(flights[largest])
    size = lots - (total - max_servings)
    if size < 2:
        raise ServingError(
            f"The sitting has {total} servings for each assessor, and at most {max_servings} may"
            " be nosed. Move lots to another sitting, or drop a repeat."
        )
    return {largest: size}


def _lots(samples: Sequence[Sample]) -> int:
    return sum(sample.purpose is Purpose.LOT for sample in samples)


def _orders_of(
    samples: Sequence[Sample], assessors: int, lots_each: int | None, rng: np.random.Generator
) -> tuple[tuple[tuple[Sample, ...], ...], float]:
    if lots_each is None:
        return balanced_orders(samples, assessors, rng), 1.0
    lots = [sample for sample in samples if sample.purpose is Purpose.LOT]
    everyone = [sample for sample in samples if sample.purpose is not Purpose.LOT]
    design = incomplete_blocks(len(lots), assessors, lots_each, rng)
    blocks = [[lots[i] for i in block] + everyone for block in design.blocks]
    return improve_orders(blocks, rng), design.efficiency


def _coded(
    trays: Sequence[Sequence[tuple[int, Sample]]],
    assessors: Sequence[str],
    rng: np.random.Generator,
) -> tuple[list[Serving], list[KeyEntry]]:
    """Draw codes: no two alike in the whole sitting where three digits allow it.

    Beyond that many servings codes are unique for each assessor, which is what ISO 4120 asks.
    """
    total = sum(len(tray) for tray in trays)
    shared = iter(draw_codes(total, rng)) if total <= len(CODES) else None
    servings, key = [], []
    for assessor, tray in zip(assessors, trays, strict=True):
        own = shared if shared is not None else iter(draw_codes(len(tray), rng))
        for place, sample in tray:
            code = next(own)
            servings.append(Serving(assessor, sample.flight, place, code))
            key.append(KeyEntry(assessor, code, sample.subject, sample.purpose))
    return servings, key
