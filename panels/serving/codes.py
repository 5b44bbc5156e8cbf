"""Three-digit blind codes."""

from __future__ import annotations

import numpy as np

from panels.errors import ServingError

__all__ = ["CODES", "draw_codes"]

_SPEAKING = {100 * n for n in range(1, 10)} | {111 * n for n in range(1, 10)}
_SPEAKING |= {101, 112, 123, 234, 321, 345, 456, 567, 654, 678, 765, 789, 876, 911, 987}

CODES: tuple[int, ...] = tuple(code for code in range(101, 1000) if code not in _SPEAKING)
"""Codes that may be drawn: 101 to 999 without those that catch the eye (repeated digits, runs,
hundreds, emergency numbers). Three-digit random numbers: ISO 4120, ISO 13299; leaving out
codes that mean something is common practice."""


def draw_codes(wanted: int, rng: np.random.Generator) -> tuple[str, ...]:
    """Draw codes without repeats.

    Parameters
    ----------
    wanted : number of codes.
    rng : seeded generator; the same seed gives the same codes.

    Raises
    ------
    ServingError : more codes wanted than three digits give.
    """
    if wanted > len(CODES):
        raise ServingError(
            f"{wanted} servings for one assessor are more than the {len(CODES)} three-digit"
            " codes. Split the sitting."
        )
    return tuple(str(code) for code in rng.choice(CODES, size=wanted, replace=False))
