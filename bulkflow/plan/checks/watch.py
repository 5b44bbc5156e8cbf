"""One check: many comparisons, of which the worst is kept with its place.

Owns the tolerances, so that every check of a kind is equally strict.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

__all__ = [
    "HOURS",
    "LITRES",
    "LPA",
    "MONEY",
    "WHOLE",
    "Check",
    "Measure",
    "Watch",
    "amount_words",
]


@dataclass(frozen=True, slots=True)
class Measure:
    """A unit, and the violation below which two amounts count as the same.

    ``absolute`` [unit] is for amounts near zero; ``relative`` is of the larger of the amounts.
    """

    unit: str
    absolute: float
    relative: float

    def tolerance(self, *amounts: float) -> float:
        """Return the violation allowed between amounts of this size [unit]."""
        return self.absolute + self.relative * max((abs(one) for one in amounts), default=0.0)


# 10 mL of pure alcohol: a hundredth of what a return rounds to. The relative part is the
# solver's feasibility tolerance (1e-6) on the scaled rows of large amounts.
LPA = Measure("LPA", 0.01, 1e-6)
LITRES = Measure("L", 0.02, 1e-6)
MONEY = Measure("money", 0.01, 1e-6)
# Counts, days and names are right or wrong.
WHOLE = Measure("", 0.0, 0.0)
HOURS = Measure("h", 1e-6, 1e-9)


@dataclass(frozen=True, slots=True)
class Check:
    """One check of a plan and how it went.

    Parameters
    ----------
    id : short name, such as ``released-stock``.
    words : what is claimed of the plan.
    equations : numbers in ``bulkflow/program/README.md``.
    passed : whether no comparison was violated by more than its tolerance.
    worst : the worst violation found [unit]; 0 where none.
    where : its place in words; '' where nothing was violated at all.
    tolerance : the violation allowed at that place [unit].
    unit : LPA, L, money, h, or '' for counts, days and names.
    compared : how many comparisons were made; 0 says the plan has nothing of the kind.
    failures : how many of them were violated beyond their tolerance.
    """

    id: str
    words: str
    equations: tuple[int, ...]
    passed: bool
    worst: float
    where: str
    tolerance: float
    unit: str
    compared: int
    failures: int

    def __str__(self) -> str:
        """Return the check in one line of words."""
        numbers = ", ".join(str(number) for number in self.equations)
        head = f"{self.id} (eq. {numbers})" if numbers else self.id
        if self.passed:
            return f"{head}: {self.words}"
        more = f" (and {self.failures - 1} more)" if self.failures > 1 else ""
        return f"{head}: not so that {self.words}: {self.where}{more}"


class Watch:
    """Collects the comparisons of one check; ``result`` gives the ``Check``."""

    def __init__(
        self, identity: str, words: str, equations: tuple[int, ...], measure: Measure
    ) -> None:
        self.identity, self.words, self.equations = identity, words, equations
        self.measure = measure
        self.compared = self.failures = 0
        self._worst, self._where, self._tolerance = 0.0, "", measure.tolerance()
        self._worst_excess = -math.inf

    def near(self, found: float, right: float, where: str) -> None:
        """Compare an amount with what it must be."""
        self._note(
            abs(found - right),
            self.measure.tolerance(found, right),
            lambda: f"{where} is {self._say(found)}, not {self._say(right)}",
        )

    def at_most(self, found: float, limit: float, where: str) -> None:
        """Compare an amount with the most it may be."""
        self._note(
            found - limit,
            self.measure.tolerance(found, limit),
            lambda: f"{where} is {self._say(found)}, above {self._say(limit)}",
        )

    def at_least(self, found: float, limit: float, where: str) -> None:
        """Compare an amount with the least it may be."""
        self._note(
            limit - found,
            self.measure.tolerance(found, limit),
            lambda: f"{where} is {self._say(found)}, below {self._say(limit)}",
        )

    def same(self, found: object, right: object, where: str) -> None:
        """Compare a day, a name or a set with what it must be."""
        wrong = 0.0 if found == right else 1.0
        self._note(wrong, 0.0, lambda: f"{where} is {found}, not {right}")

    def holds(self, truth: object, where: str) -> None:
        """Note a fact that must be true; ``where`` tells what is wrong if it is not."""
        self._note(0.0 if truth else 1.0, 0.0, lambda: where)

    def wrong(self, where: str) -> None:
        """Note a fault that has no size; ``where`` tells what is wrong."""
        self._note(math.inf, 0.0, lambda: where)

    def result(self) -> Check:
        """Return how the check went."""
        return Check(
            id=self.identity,
            words=self.words,
            equations=self.equations,
            passed=self.failures == 0,
            worst=self._worst,
            where=self._where,
            tolerance=self._tolerance,
            unit=self.measure.unit,
            compared=self.compared,
            failures=self.failures,
        )

    def _note(self, violation: float, tolerance: float, say: Callable[[], str]) -> None:
        """Count a comparison; its words are made only where it is the worst so far."""
        self.compared += 1
        if violation <= 0.0:
            return
        if math.isnan(violation):  # not a number is never near anything
            violation = math.inf
        excess = violation - tolerance if violation < math.inf else math.inf
        if excess > 0:
            self.failures += 1
        if excess > self._worst_excess:
            self._worst, self._where, self._tolerance = violation, say(), tolerance
            self._worst_excess = excess

    def _say(self, amount: float) -> str:
        return amount_words(amount, self.measure.unit)


def amount_words(amount: float, unit: str) -> str:
    """Return an amount with its unit, in as many digits as its size asks for."""
    if not math.isfinite(amount):
        text = "no number" if math.isnan(amount) else "without limit"
    elif abs(amount) >= 1000:
        text = f"{amount:,.2f}"
    else:
        text = f"{amount:.6g}"
    return f"{text} {unit}".rstrip() if unit != "money" else text
