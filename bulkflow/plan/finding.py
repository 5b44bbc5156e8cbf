"""One thing found wrong with a workspace before it is planned."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Finding", "period_words"]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that cannot work.

    Parameters
    ----------
    severity : ``blocks`` where no plan can meet the rules; ``warns`` where one can, but a worse
        one than was probably meant.
    words : what is found and what would mend it, in full sentences.
    records : the records it is about, such as ``lanes[sea]``.
    caution : the usual caution, where the finding shows how a tank is filled.
    places : file and line of those records, as far as they are known.
    """

    severity: Literal["blocks", "warns"]
    words: str
    records: tuple[str, ...]
    caution: str = ""
    places: tuple[str, ...] = ()

    def __str__(self) -> str:
        """Return the words, with the places of the records."""
        return f"{self.words} ({'; '.join(self.places)})" if self.places else self.words


def period_words(periods: set[int], unit: str = "period") -> str:
    """Return periods in words, runs joined: ``periods 3 to 5 and 9``.

    Examples
    --------
    >>> period_words({5, 3, 4, 9})
    'periods 3 to 5 and 9'
    >>> period_words({2})
    'period 2'
    """
    runs: list[list[int]] = []
    for period in sorted(periods):
        if runs and period == runs[-1][1] + 1:
            runs[-1][1] = period
        else:
            runs.append([period, period])
    parts = [f"{first}" if first == last else f"{first} to {last}" for first, last in runs]
    joined = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
    return f"{unit} {joined}" if len(periods) == 1 else f"{unit}s {joined}"
