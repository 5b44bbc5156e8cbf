"""Pictures of a decision: everything they show is in the evidence, and stays text."""

from __future__ import annotations

import re
from typing import Any
from xml.etree import ElementTree

from bulkflow.lots.evidence_pictures import characteristic_picture, decision_picture

SVG = "{http://www.w3.org/2000/svg}"


def _glass(who: str, score: float | None, purpose: str, **more: Any) -> dict[str, Any]:
    plain = {"assessor": who, "purpose": purpose, "counts": True, "off_notes": []}
    return plain | ({} if score is None else {"score": score}) | more


def _evidence() -> dict[str, Any]:
    note = [{"note": "musty <b>", "intensity": 3}]
    interval = {"unit": "points", "level": 0.975, "sided": "one-sided"}
    return {
        "lot_id": "L<1>",
        "decided_by": "panel",
        "decided_on": "2026-12-17",
        "outcome": "hold",
        "summary": "Hold: too & low.",
        "rule": {"document": {"score": {"minimum": 6.0, "largest_drop": 1.25, "decides": "both"}}},
        "occasions": [
            {"sitting": "S-2", "held_on": "2026-12-17", "void": False, "glasses": [
                _glass("A1", 7.0, "control"), _glass("A1", 5.0, "lot", off_notes=note),
                _glass("A2", 8.0, "control"), _glass("A2", 7.0, "lot", counts=False),
                _glass("A3", None, "lot")]},
            {"sitting": "S-1", "held_on": "2026-12-15", "void": True, "glasses": [
                _glass("A1", 7.0, "control"), _glass("A1", 7.0, "lot")]},
            {"confirmation": {"test": "C-1"}},
        ],
        "intervals": [
            {"quantity": "lot minus blind control (decides; 9 degrees of freedom)",
             "estimate": -2.5, "lower": -3.5, "upper": -1.5, **interval},
            {"quantity": "mean of the lot (decides; 9 degrees of freedom)",
             "estimate": 5.0, "lower": 4.0, "upper": 6.0, **interval},
            {"quantity": "mean of the lot (9 degrees of freedom)",
             "estimate": 5.0, "lower": 4.5, "upper": 5.5, **interval},
        ],
    }  # fmt: skip


def _texts(root: ElementTree.Element) -> list[str]:
    return [one.text or "" for one in root.iter(f"{SVG}text")]


def _inside(root: ElementTree.Element) -> bool:
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    places = [
        (float(one.attrib.get(x, 0)), float(one.attrib.get(y, 0)))
        for tag, x, y in (("circle", "cx", "cy"), ("rect", "x", "y"), ("text", "x", "y"),
                          ("line", "x1", "y1"), ("line", "x2", "y2"))
        for one in root.iter(SVG + tag)
    ]  # fmt: skip
    return all(0 <= x <= width and 0 <= y <= height for x, y in places)


def test_a_decision_shows_scores_control_limits_intervals_and_earlier_sittings() -> None:
    root = ElementTree.fromstring(decision_picture(_evidence()))
    texts = _texts(root)
    assert texts[0] == "L<1>: hold, 2026-12-17"
    assert [t for t in texts if t.startswith("S-")] == ["S-1 (void)", "S-2"]  # oldest first
    said = [one.text for tag in ("circle", "rect") for mark in root.iter(SVG + tag) for one in mark]
    shown = [one for one in said if one and ": " in one and not one.startswith(",")]
    assert sorted(shown) == [
        "A1, control: 7", "A1, control: 7", "A1, lot: 5, musty <b>", "A1, lot: 7",
        "A2, control: 8", "A2, lot: 7, left out",
    ]  # fmt: skip
    assert {"min. 6", "-1.25 limit", "5.00", "-2.50", "97.5 % one-sided"} <= set(texts)
    assert _inside(root)
    assert root.find(f"{SVG}desc").text == "Hold: too & low."  # type: ignore[union-attr]


def test_a_decision_without_scores_has_no_picture() -> None:
    assert decision_picture(_evidence() | {"decided_by": "opening"}) == ""
    assert decision_picture(_evidence() | {"occasions": []}) == ""
    # a hold may say that no estimate could be made
    assert "97.5" not in decision_picture(_evidence() | {"intervals": []})


def test_curves_go_through_every_declared_point() -> None:
    points = [
        {"axis": axis, "value": value, "release": r, "hold": 1 - r - j, "reject": j}
        for axis, values in (("quality", (5.0, 6.0, 7.0)), ("noticing share", (0.0, 0.5)))
        for value, r, j in zip(values, (0.0, 0.05, 0.99), (0.9, 0.05, 0.0), strict=False)
    ]
    picture = characteristic_picture(
        {"rule": "R v1", "draws": 2500, "points": points},
        {"score": {"minimum": 6.0, "decides": "mean"}},
    )
    root = ElementTree.fromstring(picture)
    said = [mark[0].text for mark in root.iter(f"{SVG}circle")]
    assert len(said) == 3 * len(points) and "release 5.0 % at 6" in said
    # the middle of the quality axis stands for 6, and 5 % lies a twentieth above the bottom
    (at,) = [m for m in root.iter(f"{SVG}circle") if m[0].text == "release 5.0 % at 6"]
    tracks = [re.findall(r"[\d.]+", one.attrib["points"]) for one in root.iter(f"{SVG}polyline")]
    first, last = float(tracks[0][0]), float(tracks[0][-2])
    assert abs(float(at.attrib["cx"]) - (first + last) / 2) < 0.2
    bottom = float(tracks[0][1])
    top = [
        float(m.attrib["cy"])
        for m in root.iter(f"{SVG}circle")
        if m[0].text == "reject 90.0 % at 5"
    ]
    assert abs((bottom - float(at.attrib["cy"])) / (bottom - top[0]) - 0.05 / 0.9) < 0.01
    assert "minimum 6" in _texts(root) and _inside(root)


def test_documents_of_another_shape_are_not_drawn() -> None:
    assert characteristic_picture({"points": [{"mean": 6.0, "release": 0.1}]}) == ""
    glasses = [{"assessor": "A1", "score": 7.0}]
    occasion = {"sitting": "S", "held_on": "2026-12-17", "glasses": glasses}
    assert decision_picture(_evidence() | {"occasions": [occasion]}) == ""
