"""Faults that many places share are told once."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable

from bulkflow.errors import Fault

__all__ = ["told_once"]

_REPEATS_TOLD_APART = 3
_INDEX = re.compile(r"\[\d+\]")


def told_once(faults: Iterable[Fault], one_cause: Collection[Fault] = ()) -> list[Fault]:
    """Tell faults that differ by their line alone as one, with how many they are.

    Parameters
    ----------
    faults : as found.
    one_cause : those of them that have one cause wherever they show, such as the name of a site
        that is misspelt where it is defined: they are one by their words, in whatever file.
    """
    cause = set(one_cause)
    alike: dict[tuple[str, ...], dict[Fault, None]] = {}
    for fault in faults:
        place = () if fault in cause else (fault.file, _INDEX.sub("[]", fault.where))
        alike.setdefault((*place, fault.found, fault.mend), {})[fault] = None
    told: list[Fault] = []
    for same in alike.values():
        if len(same) <= _REPEATS_TOLD_APART:
            told.extend(same)
            continue
        first, *_, last = sorted(same)
        word = "rows" if not _INDEX.search(first.where) and last.file == first.file else "places"
        at = f"line {last.line}" if last.file == first.file else f"{last.file}, line {last.line}"
        found = f"{first.found} (so in {len(same) - 1} more {word}, the last in {at})"
        told.append(Fault(first.file, first.line, first.where, found, first.mend))
    return told
