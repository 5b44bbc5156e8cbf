"""Make the pictures that the README shows: ``python -m tests.make_pictures``.

Runs README's first command, as printed, in a fresh clone (or takes a checkout in which it was run,
``--ran DIR``) and writes to ``scenarios/vejkalna/pictures`` what came of it: the map, the calendar
of loads, and the answer in the terminal. The pictures load nothing from outside. ``--booth`` makes
those of the booth alone, with Chromium.
"""

from __future__ import annotations

import argparse
import io
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

from rich.console import Console
from rich.terminal_theme import TerminalTheme
from rich.text import Text

from bulkflow.account.position import as_planned
from bulkflow.plan.answer import print_answer, print_verdict
from bulkflow.plan.result import PlanResult
from bulkflow.plan.write import read_plan_at
from bulkflow.report.calendars import calendar_pictures, calendar_words, leaving_loads
from bulkflow.report.drawing import alone
from bulkflow.report.lot_tables import keyed_lots
from bulkflow.report.lots_in_loads import lots_in_loads
from bulkflow.report.map import map_picture, placed_map
from bulkflow.scenario import read_workspace
from bulkflow.scenario.model import Scenario
from tests.panels.booth_pictures import booth_pictures
from tests.readme_runs import one_run

ROOT = Path(__file__).resolve().parent.parent
DEMO = Path("scenarios") / "vejkalna"
FOLDER = ROOT / DEMO
PICTURES = FOLDER / "pictures"
# Dark on light, told apart by weight too, so that it prints.
THEME = TerminalTheme(
    (255, 255, 255),
    (29, 39, 51),
    [(29, 39, 51), (179, 38, 30), (46, 94, 42), (122, 82, 0), (11, 79, 108), (122, 40, 96),
     (11, 79, 108), (81, 96, 111)],
)  # fmt: skip
TERMINAL = """<svg viewBox="0 0 {width} {height}" xmlns="http://www.w3.org/2000/svg" role="img">
<title>bulkflow plan vejkalna: the answer in the terminal</title>
<style>
.{unique_id}-matrix {{ font-family: "DejaVu Sans Mono", Menlo, Consolas, monospace;
  font-size: {char_height}px; line-height: {line_height}px; font-variant-east-asian: full-width; }}
{styles}
</style>
<rect width="100%" height="100%" fill="#ffffff" stroke="#51606f"/>
<defs><clipPath id="{unique_id}-clip-terminal">
<rect x="0" y="0" width="{terminal_width}" height="{terminal_height}"/></clipPath>{lines}</defs>
<g transform="translate({terminal_x}, 8)" clip-path="url(#{unique_id}-clip-terminal)">
{backgrounds}<g class="{unique_id}-matrix">{matrix}</g></g>
</svg>
"""


def pictures(result: PlanResult, scenario: Scenario, folder: Path) -> dict[str, str]:
    """Return the pictures by the name of their file."""
    plan = result.plan
    beside = lots_in_loads(
        scenario,
        folder,
        plan,
        register=bool(result.register),
        chain_head=result.chain_head,
        clock=lambda: datetime(2027, 1, 4, tzinfo=UTC),
    )
    keyed = keyed_lots(leaving_loads(plan), beside.fillings)
    drawn = map_picture(
        placed_map(scenario, plan), scenario, plan, name="map",
        title=f"{plan.scenario_name}: sites, lanes and loads",
        description="Sites, lanes, and how many loads each lane carries in the quarter.",
    )  # fmt: skip
    calendar = calendar_pictures(
        plan, keyed, beside.unfilled(), name="calendar",
        title=f"{plan.scenario_name}: loads by lane and week",
        description=calendar_words(plan, keyed),
    )  # fmt: skip
    return {
        "map.svg": alone(drawn) + "\n",
        "calendar.svg": alone(calendar[0]) + "\n",
        "answer.svg": answer(result, scenario),
    }


def answer(result: PlanResult, scenario: Scenario) -> str:
    """Return the answer as a terminal shows it."""
    shown = io.StringIO()
    console = Console(file=shown, force_terminal=True, width=80, highlight=False, markup=False)
    print_answer(result, scenario, console)
    print_verdict(result, console)
    lines = shown.getvalue().splitlines()
    paper = Console(record=True, width=82, file=io.StringIO(), highlight=False)
    for line in lines:
        paper.print(Text.from_ansi(line))
    return paper.export_svg(theme=THEME, code_format=TERMINAL, unique_id="answer")


def main(argv: list[str] | None = None) -> int:
    """Run or read, draw, write."""
    parser = argparse.ArgumentParser(prog="python -m tests.make_pictures", description=__doc__)
    parser.add_argument("--ran", type=Path, help="a checkout in which the command was run")
    parser.add_argument("--out", type=Path, default=PICTURES)
    parser.add_argument("--booth", action="store_true", help="the booth's pictures, and no others")
    arguments = parser.parse_args(argv)
    if arguments.booth:
        for name, picture in booth_pictures().items():
            (arguments.out / name).write_bytes(picture)
            print(f"Wrote {arguments.out / name}.")
        return 0
    with tempfile.TemporaryDirectory(prefix="pictures-") as place:
        ran = arguments.ran or Path(place) / "clone"
        if arguments.ran is None:
            done = one_run("README's first command", ROOT, ran)
            print(done)
            if done.code:
                print(done.said)
                return 1
        workspace = ran / DEMO
        result = read_plan_at(ran / "out")
        opened = as_planned(read_workspace(workspace).scenario, workspace, None, result)
        made = pictures(result, opened.scenario, workspace)
    arguments.out.mkdir(parents=True, exist_ok=True)
    for name, text in made.items():
        (arguments.out / name).write_text(text, encoding="utf-8")
        print(f"Wrote {arguments.out / name}.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
