"""Is the tank fit to be filled: what was found of it, held against the list, check by check.

Pure: takes the record of what was found, returns the checks. The list (last cargoes, gaskets,
age of the cleaning) is data in :mod:`bulkflow.rules`; a qualified person decides at the tank.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from bulkflow.loads.bodies import TankAcceptance
from bulkflow.rules import cleaning_age, gasket_materials, prior_cargoes

__all__ = ["CARGOES_ASKED", "KOSHER_CODE", "TankCheck", "tank_checks"]

CARGOES_ASKED = 3
KOSHER_CODE = "P26"  # of European cleaning documents: kosher cleaning


@dataclass(frozen=True, slots=True)
class TankCheck:
    """One question to the tank: what it is about, whether it is answered well, and why."""

    what: str
    passed: bool
    words: str
    source: str = "common practice"


def tank_checks(found: TankAcceptance | None, *, on: date) -> tuple[TankCheck, ...]:
    """Return the checks of a tank on the day it is to be filled; all must pass.

    Parameters
    ----------
    found : what was recorded of it; None where nobody examined one.
    on : the day of filling, to which the cleaning's age is counted.
    """
    if found is None:
        words = "no tank has been examined for this load"
        return (TankCheck("examined", passed=False, words=words),)
    return tuple(
        check
        for checks in (_cargoes, _cleaning, _closures, _statuses, _nosing)
        for check in checks(found, on)
    )


def _cargoes(found: TankAcceptance, on: date) -> Iterable[TankCheck]:
    if len(found.last_cargoes) < CARGOES_ASKED:
        words = f"{len(found.last_cargoes)} of the last {CARGOES_ASKED} cargoes are named"
        yield TankCheck("last cargoes", passed=False, words=words)
    for number, cargo in enumerate(found.last_cargoes[:CARGOES_ASKED], 1):
        yield _cargo(f"last cargo {number}", cargo, found, on)


def _cargo(what: str, cargo: str, found: TankAcceptance, on: date) -> TankCheck:
    entries = prior_cargoes(cargo, on=on)
    if not entries:
        words = f"{cargo!r} is not on the list"
        if found.note:
            return TankCheck(what, passed=True, words=f"{words}; taken, since: {found.note}")
        words += "; ask what it was, and say in a note why it is taken"
        return TankCheck(what, passed=False, words=words)
    entry = entries[0]
    words = f"{cargo!r} is {entry.verdict} ({entry.cargo})"
    if entry.verdict == "ask":
        if found.note:
            words = f"{cargo!r} is to be asked about ({entry.cargo}); taken, since: {found.note}"
            return TankCheck(what, passed=True, words=words, source=entry.citation)
        words = f"{cargo!r} is to be asked about ({entry.cargo}); say in a note why it is taken"
    return TankCheck(what, passed=entry.verdict == "accepted", words=words, source=entry.citation)


def _cleaning(found: TankAcceptance, on: date) -> Iterable[TankCheck]:
    what = "cleaning document"
    if found.cleaning_document is None:
        yield TankCheck(what, passed=False, words="no cleaning document is named")
    else:
        codes = f", codes {', '.join(found.cleaning_codes)}" if found.cleaning_codes else ""
        yield TankCheck(what, passed=True, words=f"{found.cleaning_document}{codes}")
    yield _cleaning_age(found, on)


def _cleaning_age(found: TankAcceptance, on: date) -> TankCheck:
    what = "age of the cleaning"
    if found.cleaned_on is None:
        return TankCheck(what, passed=False, words="the day of the cleaning is not given")
    rule, days = cleaning_age(on=on), (on - found.cleaned_on).days
    if days < 0:
        words = f"cleaned on {found.cleaned_on}, after the day of filling ({on})"
        return TankCheck(what, passed=False, words=words)
    if rule is None:
        words = f"{days} days; no limit is known for {on}"
        return TankCheck(what, passed=False, words=words)
    words = f"{days} day{'' if days == 1 else 's'} on {on}, at most {rule.maximum_days} are taken"
    return TankCheck(what, passed=days <= rule.maximum_days, words=words, source=rule.citation)


def _closures(found: TankAcceptance, on: date) -> Iterable[TankCheck]:
    numbers = ", ".join(found.seals)
    if not found.seals:
        yield TankCheck("seals", passed=False, words="no seal number is given")
    elif not found.seals_intact:
        yield TankCheck("seals", passed=False, words=f"{numbers}: not said to be intact on arrival")
    else:
        yield TankCheck("seals", passed=True, words=f"{numbers}, intact on arrival")
    if found.gasket_material is None:
        yield TankCheck("gasket", passed=False, words="the material of the gaskets is not given")
        return
    entries = gasket_materials(found.gasket_material, on=on)
    if not entries:
        words = f"{found.gasket_material!r} is not on the list"
        yield TankCheck("gasket", passed=False, words=words)
        return
    verdict = "suited" if entries[0].suited else "not suited"
    words = f"{found.gasket_material} is {verdict} to strong alcohol"
    yield TankCheck("gasket", passed=entries[0].suited, words=words, source=entries[0].citation)


def _statuses(found: TankAcceptance, on: date) -> Iterable[TankCheck]:
    if found.kosher_asked:
        coded = KOSHER_CODE in {code.upper() for code in found.cleaning_codes}
        missing = [] if found.kosher_document else ["the document of its kosher status"]
        missing += [] if coded else [f"code {KOSHER_CODE} on the cleaning document"]
        words = f"lacks {' and '.join(missing)}" if missing else f"{found.kosher_document}"
        yield TankCheck("kosher status", passed=not missing, words=words)
    if found.organic_asked:
        words = found.organic_document or "lacks the document of its organic status"
        passed = found.organic_document is not None
        yield TankCheck("organic status", passed=passed, words=words)


def _nosing(found: TankAcceptance, on: date) -> Iterable[TankCheck]:
    for what, verdict in (("tank nosed", found.tank_nosed), ("hose nosed", found.hose_nosed)):
        words = {True: "clean", False: "an odour was found", None: "it was not nosed"}[verdict]
        yield TankCheck(what, passed=verdict is True, words=words)
