"""Make the invented keys and scores of the demo's two sittings.

    python -m tests.panels.make_demo_sittings scenarios/vejkalna

The true qualities, and who notices the tainted lot, are set here; everything else is drawn with
fixed seeds. The files it writes are kept in the scenario, and a test shows what they lead to.
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np

from bulkflow.lots.register import open_register
from bulkflow.lots.seeds import import_seeds
from bulkflow.records import Actor, settings_for
from panels.cli.rule import declare_missing, known_risks
from panels.preparation.standards import read_standards, record_standard
from panels.records import PANELS, Sitting
from panels.release.files import read_rules
from panels.serving import Purpose
from panels.sittings.definition import read_definition
from panels.sittings.keys import KeyLine, SittingKey, key_path, write_key
from panels.sittings.planning import PlannedSitting, plan_sitting
from panels.sittings.scores import SHEET_COLUMNS

STEP = 0.5
ASSESSOR_SD, INTERACTION_SD, RESIDUAL_SD = 0.5, 0.3, 0.5


@dataclass(frozen=True)
class Story:
    """What is true of one sitting, and what goes wrong at it."""

    file: str
    seed: int
    quality: dict[str, float]
    profile: dict[str, tuple[float, float, float]]
    noticed: dict[str, tuple[str, tuple[str, ...]]] = field(default_factory=dict)
    absent: tuple[str, ...] = ()
    late: tuple[tuple[str, int], ...] = ()
    blank: tuple[tuple[str, int], ...] = ()
    remarks: dict[tuple[str, str], str] = field(default_factory=dict)


STORIES = (
    Story(
        file="2026-12-15",
        seed=20261215,
        quality={
            "VK-DRY-S4": 7.6,
            "VK-CIT-S3": 7.5,
            "VK-DRY-2641": 7.7,
            "VK-DRY-2642": 7.5,
            "VK-CIT-2641": 7.5,
            "VK-CIT-2642": 7.2,
        },
        profile={"VK-DRY": (6.5, 3.0, 4.0), "VK-CIT": (4.5, 7.0, 3.0)},
        noticed={"VK-CIT-2642": ("sulphury", ("A2", "A4", "A5", "A9"))},
        blank=(("A6", 4),),
        late=(("A3", 8),),
        remarks={
            ("A4", "VK-CIT-2642"): "struck match, not like the others",
            ("A9", "VK-CIT-2642"): "rubber, fades after a minute",
            ("A1", "VK-CIT-2641"): "fresh peel",
        },
    ),
    Story(
        file="2026-12-17",
        seed=20261217,
        quality={
            "VK-DRY-S4": 7.6,
            "VK-NAVY-S2": 7.5,
            "VK-BASE-S2": 7.4,
            "VK-DRY-2643": 7.6,
            "VK-NAVY-2641": 7.5,
            "VK-NAVY-2642": 6.05,
            "VK-BASE-2641": 7.4,
        },
        profile={
            "VK-DRY": (6.5, 3.0, 4.0),
            "VK-NAVY": (7.5, 2.5, 5.5),
            "VK-BASE": (8.0, 3.5, 5.0),
        },
        absent=("A7",),
        remarks={("A8", "VK-NAVY-2642"): "flatter than usual", ("A2", "VK-NAVY-2642"): "thin"},
    ),
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder
    for planned, story in zip(_planned(folder), STORIES, strict=True):
        key_file = key_path(folder, planned.sitting.sitting)
        key_file.unlink(missing_ok=True)
        write_key(key_file, planned.key)
        _write_scores(folder / "panel" / "sittings" / f"{story.file}.scores.csv", planned, story)
        _write_preparation(
            folder / "panel" / "sittings" / f"{story.file}.preparation.csv", planned.sitting, story
        )


def _planned(folder: Path) -> Iterator[PlannedSitting]:
    panel = folder / "panel"
    settings = settings_for(folder, "sqlite:///:memory:")
    actor = Actor.current("demo")
    with open_register(settings, PANELS, actor=actor) as store, store.write(actor) as session:
        import_seeds(session, folder, today=date(2026, 12, 14))
        for standard in read_standards(panel / "standards.yaml"):
            record_standard(session, standard)
        rules = read_rules(panel / "rules.yaml")
        declare_missing(session, rules, known_risks(folder, "sqlite:///:memory:", rules))
        for story in STORIES:
            definition, file = read_definition(panel / "sittings" / f"{story.file}.yaml")
            yield plan_sitting(session, definition, seed=story.seed, file=file)


def _write_scores(path: Path, planned: PlannedSitting, story: Story) -> None:
    rng = np.random.default_rng(story.seed)
    sitting, key = planned.sitting, planned.key
    liquid = {lot.lot: lot.liquid for lot in sitting.lots}
    liquid |= {poured.standard: poured.liquid for poured in sitting.standards}
    level = {name: rng.normal(0, ASSESSOR_SD) for name in sitting.assessors}
    tastes = {(a, s): rng.normal(0, INTERACTION_SD) for a in sitting.assessors for s in liquid}
    with path.open("w", newline="", encoding="utf-8") as stream:
        table = csv.writer(stream, lineterminator="\n")
        table.writerow((*SHEET_COLUMNS[:5], *sitting.attributes, *SHEET_COLUMNS[5:]))
        places = _numbered(key)
        for line in key.lines:
            if line.assessor in story.absent:
                continue
            place = places[(line.assessor, line.code)]
            poured, nosed = _times(sitting, story, line, place)
            table.writerow(
                (
                    line.assessor,
                    line.code,
                    poured,
                    nosed,
                    _score(story, line, level, tastes, rng, place),
                    *_marks(story.profile[liquid[line.subject]], rng),
                    _off_notes(story, line, rng),
                    _remark(story, line),
                )
            )


def _numbered(key: SittingKey) -> dict[tuple[str, str], int]:
    places: dict[tuple[str, str], int] = {}
    count: dict[str, int] = {}
    for line in key.lines:
        count[line.assessor] = count.get(line.assessor, 0) + 1
        places[(line.assessor, line.code)] = count[line.assessor]
    return places


def _times(sitting: Sitting, story: Story, line: KeyLine, place: int) -> tuple[str, str]:
    start = datetime(2026, 12, 15, 10, 0, tzinfo=UTC) + timedelta(minutes=50 * (line.flight - 1))
    minutes = 17 + 4 * (line.position - 1) + int(line.assessor[1:]) % 3
    if (line.assessor, place) in story.late:
        minutes = sitting.latest_minutes + 9
    return f"{start:%H:%M}", f"{start + timedelta(minutes=minutes):%H:%M}"


def _score(
    story: Story,
    line: KeyLine,
    level: dict[str, float],
    tastes: dict[tuple[str, str], float],
    rng: np.random.Generator,
    place: int,
) -> str:
    drawn = rng.normal(0, RESIDUAL_SD)
    if (line.assessor, place) in story.blank:
        return ""
    value = story.quality[line.subject] + level[line.assessor]
    value += tastes[(line.assessor, line.subject)] + drawn
    if line.subject in story.noticed and line.assessor in story.noticed[line.subject][1]:
        value -= 1.5
    return f"{np.clip(np.rint(value / STEP) * STEP, 0, 10):g}"


def _marks(profile: tuple[float, float, float], rng: np.random.Generator) -> list[str]:
    return [f"{np.clip(np.rint(rng.normal(p, 0.8)), 0, 10):g}" for p in profile]


def _off_notes(story: Story, line: KeyLine, rng: np.random.Generator) -> str:
    strength = int(rng.integers(2, 5))
    stray = rng.random()
    if line.subject in story.noticed and line.assessor in story.noticed[line.subject][1]:
        return f"{story.noticed[line.subject][0]}:{strength}"
    return "soapy:1" if stray < 0.02 else ""


def _remark(story: Story, line: KeyLine) -> str:
    if line.purpose is Purpose.REPEAT:
        return ""
    return story.remarks.get((line.assessor, line.subject), "")


def _write_preparation(path: Path, sitting: Sitting, story: Story) -> None:
    rng = np.random.default_rng(story.seed + 1)
    with path.open("w", newline="", encoding="utf-8") as stream:
        table = csv.writer(stream, lineterminator="\n")
        table.writerow(("subject", "diluted_strength"))
        subjects = [lot.lot for lot in sitting.lots] + [s.standard for s in sitting.standards]
        for subject in subjects:
            table.writerow((subject, f"{20.0 + rng.normal(0, 0.08):.2f}"))


if __name__ == "__main__":
    main()
