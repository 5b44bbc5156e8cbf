"""Short ways to make lots, results and evidence for the tests."""

from __future__ import annotations

from decimal import Decimal

from bulkflow.lots.acts import record_lots, record_results
from bulkflow.lots.bodies import Limit, Lot, Outcome, Parent, ReleaseRule, Result
from bulkflow.lots.deciding import decide
from bulkflow.lots.declaring import declare_limit, declare_rule
from bulkflow.lots.measuring import Readings, measure

UNIT = "g/hL of pure alcohol"


def a_lot(name, litres=1000, strength=50, liquid="dry", site="still", parents=(), **fields):
    readings = Readings(strength_percent=Decimal(str(strength)), volume_litres=Decimal(str(litres)))
    return Lot(
        lot_id=name,
        liquid_id=liquid,
        origin="made",
        site_id=site,
        measurement=measure(readings),
        parents=tuple(Parent(lot_id=n, lpa=Decimal(str(lpa))) for n, lpa in dict(parents).items()),
        **fields,
    )


def add(session, name, *args, **fields):
    return record_lots(session, [a_lot(name, *args, **fields)])[0]


def a_limit(session, analyte="methanol", maximum="30", liquid="dry", **fields):
    limit = Limit(
        liquid_id=liquid,
        analyte=analyte,
        unit=fields.pop("unit", UNIT),
        maximum=maximum,
        source="invented",
        **fields,
    )
    return declare_limit(session, limit)


def a_result(session, lot, value, analyte="methanol", **fields):
    result = Result(lot_id=lot, analyte=analyte, value=str(value), unit=UNIT, **fields)
    return record_results(session, [result])[0]


def a_rule(session, version=1, decided_by="panel", liquid="dry", rule_id="nose"):
    rule = ReleaseRule(
        liquid_id=liquid,
        rule_id=rule_id,
        rule_version=version,
        decided_by=decided_by,
        words="lower limit of the score above 6",
    )
    return declare_rule(session, rule)


def panel_evidence(lot, outcome="release", version=1, rule_id="nose", **changes):
    return {
        "schema": "bulkflow.decision-evidence",
        "version": 1,
        "lot_id": lot,
        "outcome": outcome,
        "decided_by": "panel",
        "decided_on": "2026-02-02",
        "summary": "six assessors, one sitting",
        "occasions": [{"sitting": "S-1", "held_on": "2026-02-02"}],
        "scores": [
            {
                "what": "release quality",
                "unit": "0 to 10",
                "count": 6,
                "mean": 7.25,
                "standard_deviation": 0.8,
            }
        ],
        "model": {"name": "mixed", "words": "assessor random, lot fixed"},
        "intervals": [
            {
                "quantity": "release quality",
                "unit": "0 to 10",
                "estimate": 7.25,
                "lower": 6.6,
                "level": 0.95,
                "sided": "one-sided",
            }
        ],
        "rule": {"rule_id": rule_id, "rule_version": version, "words": "lower limit above 6"},
        "operating_characteristic": {"draws": 4000, "release_at": {"7.0": 0.91}},
        "participants": [{"name": "Ilse Marten", "role": "panel leader"}],
        **changes,
    }


def lab_evidence(lot, outcome="release", **changes):
    return {
        "schema": "bulkflow.decision-evidence",
        "version": 1,
        "lot_id": lot,
        "outcome": outcome,
        "decided_by": "laboratory",
        "decided_on": "2026-02-02",
        "summary": "certificate 17",
        "findings": [{"analyte": "methanol", "value": "4 g/hL", "limit": "30", "inside": True}],
        "participants": [{"name": "Jon Brek", "role": "chemist"}],
        **changes,
    }


def panel(session, lot, outcome="release", version=1):
    return decide(
        session,
        lot_id=lot,
        outcome=Outcome(outcome),
        reason=f"panel says {outcome}",
        evidence=panel_evidence(lot, outcome, version),
    )
