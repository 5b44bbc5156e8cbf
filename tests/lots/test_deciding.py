import json

import pytest

from bulkflow.errors import InputError
from bulkflow.lots.bodies import Outcome
from bulkflow.lots.deciding import decide
from bulkflow.lots.declaring import standing_rule
from bulkflow.lots.evidence import Evidence, checked_evidence
from bulkflow.records import records_about

from .making import a_rule, add, lab_evidence, panel, panel_evidence


def refused(session, evidence, outcome=Outcome.RELEASE, lot="L1"):
    with pytest.raises(InputError) as told:
        decide(session, lot_id=lot, outcome=outcome, reason="test", evidence=evidence)
    return [f"{fault.where} {fault.found}" for fault in told.value.faults]


def test_a_decision_keeps_its_evidence_and_its_rule(register, ann):
    with register.write(ann) as session:
        add(session, "L1")
        rule = a_rule(session)
        record = panel(session, "L1")
        body = record.content
        assert body["rule_record"] == rule.seq
        assert (body["rule_id"], body["rule_version"]) == ("nose", 1)
        kept = body["evidence"]
        assert kept["operating_characteristic"] == {"draws": 4000, "release_at": {"7.0": 0.91}}
        assert kept["intervals"][0]["lower"] == 6.6
        # The document by itself says what was decided, on what, under which rule.
        again = Evidence.model_validate(json.loads(json.dumps(kept)))
        assert (again.lot_id, again.outcome, again.rule.rule_version) == ("L1", "release", 1)
        assert checked_evidence(again) == kept


def test_the_rule_in_force_is_the_one_that_must_be_applied(register, ann):
    with register.write(ann) as session:
        add(session, "L1")
        assert refused(session, panel_evidence("L1")) == [
            "evidence.rule no release rule is declared for dry"
        ]
        a_rule(session)
        panel(session, "L1")
        a_rule(session, version=2)
        assert refused(session, panel_evidence("L1")) == ["evidence.rule is nose version 1"]
        panel(session, "L1", version=2)
        a_rule(session, rule_id="other")  # another rule starts with its own version
        assert refused(session, panel_evidence("L1", version=2)) == [
            "evidence.rule is nose version 2"
        ]
        assert standing_rule(session, "dry").rule.rule_id == "other"


def test_a_liquid_is_released_by_whom_its_rule_says(lite, ann):
    with lite.write(ann) as session:
        add(session, "L1")
        a_rule(session, decided_by="laboratory")
        assert refused(session, panel_evidence("L1")) == ["evidence.decided_by is panel"]
        applied = {"rule_id": "nose", "rule_version": 1, "words": "inside limits"}
        decide(
            session,
            lot_id="L1",
            outcome=Outcome.RELEASE,
            reason="inside",
            evidence=lab_evidence("L1", rule=applied),
        )
        assert refused(session, lab_evidence("L1")) == ["evidence.rule is missing"]


def test_a_laboratory_may_reject_without_a_rule(lite, ann):
    with lite.write(ann) as session:
        add(session, "L1")
        record = decide(
            session,
            lot_id="L1",
            outcome=Outcome.REJECT,
            reason="methanol",
            evidence=lab_evidence("L1", "reject"),
        )
        assert "rule_record" not in record.content


def test_evidence_of_something_else_is_refused(lite, ann):
    with lite.write(ann) as session:
        add(session, "L1")
        a_rule(session)
        assert refused(session, panel_evidence("L2", "hold")) == [
            "evidence.lot_id is about L2, not L1",
            "evidence.outcome says hold, the decision release",
        ]
        assert refused(session, panel_evidence("L9"), lot="L9") == [
            "lot 'L9' is not in the register"
        ]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"scores": []}, "lacks scores, needed of a panel decision"),
        ({"model": None}, "lacks model, needed of a panel decision"),
        ({"intervals": []}, "lacks intervals, needed"),
        ({"operating_characteristic": None}, "lacks operating_characteristic"),
        ({"participants": [], "rule": None}, "lacks rule, participants"),
        ({"version": 2}, "evidence.version is 2"),
        ({"schema": "other"}, "evidence.schema is the text 'other'"),
        ({"decided_on": "yesterday"}, "evidence.decided_on is the text 'yesterday'"),
        ({"decided_on": None}, "evidence.decided_on is empty"),
        ({"colour": "blue"}, "evidence.colour is not a key known here"),
        ({"summary": ""}, "evidence.summary is empty"),
        ({"summary": "a\x00b"}, "evidence.summary"),
        (
            {"scores": [{"what": "a", "unit": "u", "count": -1}]},
            "evidence.scores[0].count is -1",
        ),
        (
            {"scores": [{"what": "a", "unit": "u", "count": 1, "mean": float("nan")}]},
            "evidence.scores[0].mean is nan",
        ),
        (
            {
                "intervals": [
                    {
                        "quantity": "q",
                        "unit": "u",
                        "estimate": 1,
                        "lower": 2,
                        "upper": 1,
                        "level": 0.95,
                        "sided": "two-sided",
                    }
                ]
            },
            "evidence.intervals[0] has its lower limit above its upper limit",
        ),
    ],
)
def test_incomplete_evidence_is_refused(change, says):
    document = panel_evidence("L1")
    for key, value in change.items():
        if value is None and key != "decided_on":
            document.pop(key)
        else:
            document[key] = value
    with pytest.raises(InputError) as told:
        checked_evidence(document)
    assert says in " | ".join(f"{fault.where} {fault.found}" for fault in told.value.faults)


def test_a_hold_may_say_that_nothing_could_be_estimated():
    document = panel_evidence("L1", "hold", model=None, intervals=[])
    document.pop("model")
    assert checked_evidence(document)["outcome"] == "hold"


def test_infinite_numbers_deep_in_the_evidence_are_refused(lite, ann):
    with lite.write(ann) as session:
        add(session, "L1")
        a_rule(session)
        document = panel_evidence("L1", operating_characteristic={"at": [1, float("inf")]})
        assert refused(session, document) == [
            "evidence.operating_characteristic holds the number inf at at.1"
        ]
        document = panel_evidence("L1", occasions=[{"sitting": "a\x00b"}])
        assert refused(session, document) == [
            "evidence.occasions[0] holds a NUL character at sitting"
        ]
    with lite.read() as session:
        assert records_about(session, "L1", kinds=["decision"]) == []
