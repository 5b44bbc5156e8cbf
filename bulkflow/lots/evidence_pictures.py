"""A panel decision as pictures, drawn from its evidence alone: no panel software is needed.

`decision_picture` shows who scored the lot and its control how, at each sitting, with the limits
of the rule and the intervals it looked at; `characteristic_picture` the chances that the rule
releases, holds and rejects, with the points that were declared. Both are SVG texts with a title
and a description, readable in grey, and alike on every machine.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

__all__ = ["characteristic_picture", "decision_picture"]

Document = Mapping[str, Any]

INK, SOFT, RULE_LINE = "#1b1f24", "#5b6570", "#9aa3ad"
# Okabe and Ito's colours, which all eyes tell apart; line, mark and place tell the same in grey.
LOT, CONTROL = "#0072B2", "#B35900"
VERDICTS = (("release", LOT, ""), ("hold", CONTROL, "6 3"), ("reject", INK, "2 3"))
WIDTH, HEIGHT = 640, 300
LEFT, TOP, BOTTOM = 44, 46, 44
INTERVALS = 176
"""Width of the part that shows the intervals."""
GAP = 14
POINT = {"axis", "value", "release", "hold", "reject"}
GLASS = {"assessor", "score", "purpose", "counts"}
"""What a document must say of a point, and of a glass, to be drawn."""


@dataclass(frozen=True, slots=True)
class _Score:
    assessor: str
    value: float
    control: bool
    counts: bool
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Sitting:
    name: str
    void: bool
    scores: tuple[_Score, ...]

    @property
    def people(self) -> list[str]:
        names = dict.fromkeys(score.assessor for score in self.scores)
        return sorted(names, key=lambda name: (len(name), name))

    def mean(self, *, control: bool) -> float | None:
        values = [s.value for s in self.scores if s.counts and s.control is control]
        return sum(values) / len(values) if values else None


def decision_picture(evidence: Document, *, name: str = "decision") -> str:
    """Return one decision of a panel as SVG; an empty text where its evidence has no scores.

    Parameters
    ----------
    evidence : document of `bulkflow.lots.evidence`.
    name : prefix of the ids in the picture, where several stand on one page.
    """
    sittings = list(_sittings(evidence))
    if evidence.get("decided_by") != "panel" or not any(one.scores for one in sittings):
        return ""
    rule = ((evidence.get("rule") or {}).get("document") or {}).get("score") or {}
    deciding = _deciding(evidence)
    low, high = _span(sittings, rule, deciding)

    def y(value: float) -> float:
        return TOP + (high - value) / (high - low) * (HEIGHT - TOP - BOTTOM)

    parts = list(_scale(low, high, y))
    room = (WIDTH - LEFT - INTERVALS - GAP * len(sittings)) / len(sittings)
    for place, sitting in enumerate(sittings):
        parts += _drawn(sitting, LEFT + place * (room + GAP), room, y)
    end = WIDTH - INTERVALS
    control = sittings[-1].mean(control=True)
    parts += _limit_lines(rule, end, y)
    parts += _interval_marks(deciding, rule, control, end, y)
    lot, outcome = str(evidence["lot_id"]), str(evidence["outcome"])
    title = f"{lot}: {outcome}, {evidence['decided_on']}"
    parts.insert(0, _text(LEFT - 36, 16, title, size=13, weight="bold"))
    parts.insert(1, _key())
    return _svg(name, title, str(evidence.get("summary", "")), parts)


def characteristic_picture(
    characteristic: Document, rule: Document | None = None, *, name: str = "characteristic"
) -> str:
    """Return chances of release, hold and reject as SVG curves through the declared points.

    An empty text where a document has no such points.

    Parameters
    ----------
    characteristic : as evidence holds it: ``rule``, ``draws``, ``points``.
    rule : document of the rule, to mark its limits.
    """
    points = [p for p in characteristic.get("points") or () if p.keys() >= POINT]
    if not points:
        return ""
    axes = [
        (words, [p for p in points if p["axis"] == axis])
        for axis, words in (
            ("quality", "true mean score of the lot"),
            ("noticing share", "share who notice a taint"),
        )
    ]
    title = f"{characteristic.get('rule', 'Rule')}: what it does to lots"
    parts = [
        _text(8, 16, title, size=13, weight="bold"),
        _text(
            WIDTH - 8,
            16,
            f"{characteristic.get('draws', '')} simulated lots a point",
            anchor="end",
            fill=SOFT,
        ),
    ]
    room = (WIDTH - LEFT - 30) / 2
    for place, (words, own) in enumerate(axes):
        if own:
            parts += _curves(words, own, LEFT + place * (room + 18), room, _limits(rule, place))
    said = "; ".join(
        f"{p['axis']} {p['value']:g}: release {p['release']:.3f}, hold {p['hold']:.3f},"
        f" reject {p['reject']:.3f}"
        for p in points
    )
    return _svg(name, title, said, parts)


def _sittings(evidence: Document) -> Iterator[_Sitting]:
    """Yield sittings, oldest first."""
    held = [one for one in evidence.get("occasions") or () if "glasses" in one]
    for one in sorted(held, key=lambda one: (one["held_on"], one["sitting"])):
        scores = tuple(
            _Score(
                glass["assessor"],
                float(glass["score"]),
                glass["purpose"] == "control",
                bool(glass["counts"]),
                tuple(mark["note"] for mark in glass.get("off_notes") or ()),
            )
            for glass in one["glasses"]
            if glass.keys() >= GLASS
        )
        yield _Sitting(str(one["sitting"]), bool(one.get("void")), scores)


def _deciding(evidence: Document) -> list[Document]:
    """Return the intervals the rule looked at: of the mean, then of the difference."""
    found = [i for i in evidence.get("intervals") or () if "(decides" in i["quantity"]]
    return sorted(found, key=lambda i: not i["quantity"].startswith("mean"))


def _span(
    sittings: Sequence[_Sitting], rule: Document, deciding: Sequence[Document]
) -> tuple[float, float]:
    shown = [score.value for one in sittings for score in one.scores]
    shown += [rule["minimum"]] if rule.get("minimum") is not None else []
    control = sittings[-1].mean(control=True)
    if control is not None:
        shown.append(control - (rule.get("largest_drop") or 0.0))
        for interval in deciding[1:]:
            shown += [control + interval["lower"], control + interval["upper"]]
    for interval in deciding[:1]:
        shown += [interval["lower"], interval["upper"]]
    low, high = min(shown), max(shown)
    return float(int(low - 0.01)), float(int(high + 0.99)) + 0.25


def _scale(low: float, high: float, y: Any) -> Iterator[str]:
    for score in range(int(low), int(high) + 1):
        yield _line(LEFT, y(score), WIDTH - 6, y(score), RULE_LINE, 0.35)
        yield _text(LEFT - 6, y(score) + 3.5, f"{score}", anchor="end", fill=SOFT)
    yield _text(LEFT - 36, TOP - 8, "score", fill=SOFT)


def _drawn(sitting: _Sitting, left: float, room: float, y: Any) -> Iterator[str]:
    people = sitting.people
    step = room / max(len(people), 1)
    crowded = step < 15
    for place, person in enumerate(people):
        x = left + (place + 0.5) * step
        label = 10 if not crowded else 7
        yield _text(x, HEIGHT - BOTTOM + 13, person, anchor="middle", size=label, fill=SOFT)
        for score in sitting.scores:
            if score.assessor == person:
                yield _mark(x + (-0.16 if score.control else 0.16) * step, y(score.value), score)
    for control in (False, True):
        mean = sitting.mean(control=control)
        if mean is not None:
            colour = CONTROL if control else LOT
            yield _line(left, y(mean), left + room, y(mean), colour, 1.4, "5 3" if control else "")
    words = sitting.name + (" (void)" if sitting.void else "")
    yield _text(left + room / 2, HEIGHT - 12, words, anchor="middle", size=11)


def _mark(x: float, y: float, score: _Score) -> str:
    colour = CONTROL if score.control else LOT
    fill = colour if not score.control and score.counts else "white"
    what = "control" if score.control else "lot"
    left_out = "" if score.counts else ", left out"
    notes = f", {', '.join(score.notes)}" if score.notes else ""
    said = f"<title>{escape(f'{score.assessor}, {what}: {score.value:g}{left_out}{notes}')}</title>"
    style = f'fill="{fill}" stroke="{colour}" stroke-width="1.2"'
    if score.control:
        body = f'<rect x="{x - 3.2:.1f}" y="{y - 3.2:.1f}" width="6.4" height="6.4" {style}>'
        shape = f"{body}{said}</rect>"
    else:
        shape = f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.7" {style}>{said}</circle>'
    if score.notes:  # an off-note named on this glass
        shape += _text(x, y - 7, "▲", anchor="middle", size=9)
    return shape


def _limit_lines(rule: Document, end: float, y: Any) -> Iterator[str]:
    if rule.get("minimum") is not None and rule.get("decides") != "difference":
        at = y(rule["minimum"])
        yield _line(LEFT, at, end + 62, at, INK, 1.2)
        yield _text(end - GAP + 2, at + 12, f"min. {rule['minimum']:g}")


def _interval_marks(
    deciding: Sequence[Document], rule: Document, control: float | None, end: float, y: Any
) -> Iterator[str]:
    """Yield the intervals: of the mean on the scale, of the difference laid at the control."""
    for place, (interval, words) in enumerate(zip(deciding, ("mean", "difference"), strict=False)):
        x = end + 34 + 66 * place
        shift = 0.0 if place == 0 else (control or 0.0)
        low, high = y(interval["lower"] + shift), y(interval["upper"] + shift)
        middle = y(interval["estimate"] + shift)
        yield _line(x, low, x, high, INK, 2.2)
        yield _line(x - 5, low, x + 5, low, INK, 1.6)
        yield _line(x - 5, high, x + 5, high, INK, 1.6)
        yield f'<circle cx="{x:.1f}" cy="{middle:.1f}" r="4" fill="{INK}"/>'
        sign = "+" if place else ""
        yield _text(x + 7, middle - 4, f"{interval['estimate']:{sign}.2f}")
        yield _text(x, HEIGHT - BOTTOM + 13, words, anchor="middle", size=10, fill=SOFT)
        drop = rule.get("largest_drop")
        if place and drop is not None and control is not None and rule.get("decides") != "mean":
            at = y(control - drop)
            yield _line(x - 24, at, x + 24, at, INK, 1.2)
            yield _text(x + 7, at + 12, f"-{drop:g} limit")
            at = y(control)
            yield _line(x - 24, at, x + 24, at, CONTROL, 1.0, "5 3")
    if deciding:
        level = f"{100 * deciding[0]['level']:g} % one-sided"
        yield _text(end + 67, HEIGHT - 12, level, anchor="middle", size=10, fill=SOFT)


def _key() -> str:
    x = WIDTH - 312
    lot = _Score("", 0.0, control=False, counts=True, notes=())
    control = _Score("", 0.0, control=True, counts=True, notes=())
    return (
        _mark(x, 12, lot)
        + _text(x + 8, 16, "lot")
        + _mark(x + 40, 12, control)
        + _text(x + 48, 16, "blind control")
        + _text(x + 134, 16, "▲ off-note named; lines: means")
    )


def _limits(rule: Document | None, place: int) -> list[tuple[float, str]]:
    """Return the limits of a rule on the axis of quality."""
    score = (rule or {}).get("score") or {}
    if place or not score:
        return []
    found = []
    if score.get("minimum") is not None and score.get("decides") != "difference":
        found.append((float(score["minimum"]), "minimum"))
    control = ((rule or {}).get("assumptions") or {}).get("control_quality")
    if score.get("largest_drop") is not None and control and score.get("decides") != "mean":
        found.append((float(control) - float(score["largest_drop"]), "largest drop"))
    return found


def _curves(
    words: str,
    points: Sequence[Document],
    left: float,
    room: float,
    limits: Sequence[tuple[float, str]],
) -> Iterator[str]:
    first, last = points[0]["value"], points[-1]["value"]
    bottom = HEIGHT - BOTTOM

    def place(value: float, chance: float) -> tuple[float, float]:
        along = (value - first) / ((last - first) or 1.0)
        return left + along * room, TOP + (1.0 - chance) * (bottom - TOP)

    for tenth in (0.0, 0.25, 0.5, 0.75, 1.0):
        _, at = place(first, tenth)
        yield _line(left, at, left + room, at, RULE_LINE, 0.35)
        if left < 60:
            yield _text(left - 6, at + 3.5, f"{100 * tenth:g} %", anchor="end", fill=SOFT)
    for value, _ in limits:
        x, _ = place(value, 0.0)
        yield _line(x, TOP, x, bottom, SOFT, 0.9, "3 3")
    for verdict, colour, dashes in VERDICTS:
        track = [place(p["value"], p[verdict]) for p in points]
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in track)
        dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
        yield (
            f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="1.8"{dashed}/>'
        )
        for (x, y), point in zip(track, points, strict=True):
            said = escape(f"{verdict} {100 * point[verdict]:.1f} % at {point['value']:g}")
            yield (
                f'<circle cx="{x:.1f}" cy="{y:.1f}" r="2.6" fill="{colour}">'
                f"<title>{said}</title></circle>"
            )
        peak = max(range(len(track)), key=lambda n: points[n][verdict])
        x, y = track[peak]
        inside = min(max(x, left + 24), left + room - 24)
        yield _text(inside, y - 6, verdict, anchor="middle", fill=colour, weight="bold")
    for number, (value, name) in enumerate(sorted(limits)):
        x, y = place(value, 0.65)
        side, anchor = (-4, "end") if number == 0 else (4, "start")
        yield _text(x + side, y, f"{name} {value:g}", anchor=anchor, fill=SOFT)
    every = max(1, len(points) // 7)
    for number, point in enumerate(points):
        if number % every == 0:
            x, _ = place(point["value"], 0.0)
            yield _text(x, bottom + 14, f"{point['value']:g}", anchor="middle", size=10, fill=SOFT)
    yield _text(left + room / 2, HEIGHT - 12, words, anchor="middle", size=11)


def _line(
    x1: float, y1: float, x2: float, y2: float, colour: str, width: float, dashes: str = ""
) -> str:
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}"'
        f' stroke-width="{width:g}"{dashed}/>'
    )


def _text(
    x: float,
    y: float,
    words: str,
    *,
    anchor: str = "start",
    size: float = 10,
    fill: str = INK,
    weight: str = "normal",
) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size:g}"'
        f' font-weight="{weight}" fill="{fill}" paint-order="stroke" stroke="white"'
        f' stroke-width="3">{escape(words)}</text>'
    )


def _svg(name: str, title: str, description: str, parts: Sequence[str]) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img"'
        f' aria-labelledby="{escape(name)}-t {escape(name)}-d"'
        ' font-family="DejaVu Sans, Verdana, Arial, sans-serif">'
        f'<title id="{escape(name)}-t">{escape(title)}</title>'
        f'<desc id="{escape(name)}-d">{escape(description)}</desc>'
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="white"/>{"".join(parts)}</svg>'
    )
