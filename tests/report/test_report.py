"""The report as a reader meets it: whole, safe, alike in grey, in another language."""

from __future__ import annotations

import itertools
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from bulkflow.core.options import SolveOptions
from bulkflow.errors import InputError
from bulkflow.plan.compare import compare_plans
from bulkflow.plan.make import plan_scenario
from bulkflow.plan.result import HoldCost, PlanResult
from bulkflow.plan.week import Due, DueKind, Week
from bulkflow.program.answer import PlannedLoad
from bulkflow.report.charts import Series, Strips
from bulkflow.report.drawing import SHADES, square
from bulkflow.report.page import render_report
from bulkflow.report.terms import english, read_terms
from bulkflow.scenario import read_workspace
from bulkflow.scenario.model import Scenario

ROOT = Path(__file__).resolve().parents[2]
EVIL = '<script>alert("x")</script>'


@pytest.fixture(scope="module")
def made() -> tuple[PlanResult, Scenario]:
    scenario = read_workspace(ROOT / "scenarios" / "two_sites").scenario
    return plan_scenario(scenario, SolveOptions()), scenario


@pytest.fixture(scope="module")
def page(made: tuple[PlanResult, Scenario]) -> str:
    return render_report(*made)


class Reader(HTMLParser):
    """Gathers tags and attributes, and which tags are left open."""

    VOID = frozenset({"meta", "br", "link", "img", "input", "hr"})

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.strays: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if self.open and self.open[-1] == tag:
            self.open.pop()
        else:
            self.strays.append(tag)


def read(page: str) -> Reader:
    reader = Reader()
    reader.feed(page)
    return reader


def test_the_page_is_whole_and_every_tag_closes(page: str) -> None:
    reader = read(page)
    assert reader.strays == []
    assert reader.open == []
    assert page.startswith("<!doctype html>")


def test_nothing_is_fetched_from_outside(page: str) -> None:
    fetching = {"src", "href", "action", "data", "poster", "srcset", "xlink:href"}
    for tag, attributes in read(page).tags:
        for name in fetching & set(attributes):
            assert (attributes[name] or "").startswith("#"), (tag, name, attributes[name])
    assert "@import" not in page
    assert not re.search(r"url\((?!#)", page)
    assert "default-src 'none'" in page


def test_ids_are_unique_and_every_link_leads_somewhere(page: str) -> None:
    tags = read(page).tags
    ids = [attributes["id"] for _, attributes in tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    links = {
        (attributes[name] or "")[1:]
        for _, attributes in tags
        for name in ("href", "xlink:href")
        if name in attributes
    }
    assert links <= set(ids)


def test_every_picture_has_a_text_alternative(page: str) -> None:
    pictures = re.findall(r"<svg.*?</svg>", page, re.S)
    assert len(pictures) >= 4  # map, calendar, a stock, a guarantee
    for picture in pictures:
        root = ET.fromstring(picture)
        space = "{http://www.w3.org/2000/svg}"
        if root.attrib.get("aria-hidden"):  # an axis, which every strip below it says itself
            continue
        assert root.attrib["role"] == ("group" if "<a " in picture else "img")
        assert (root.findtext(f"{space}title") or "").strip()
        assert len((root.findtext(f"{space}desc") or "").strip()) > 20


def test_the_numbers_worked_by_hand_stand_in_it(page: str) -> None:
    assert (
        "The horizon costs 11,218 EUR, proved the cheapest: good enough to promise loads." in page
    )
    for figure in ("130,000", "150,000", "6,400", "6,600", "7,680"):
        assert figure in page


def test_names_cannot_become_markup(made: tuple[PlanResult, Scenario]) -> None:
    result, scenario = made
    load = result.plan.loads[0]
    evil_load = replace(load, load_id=EVIL, lane=load.lane)
    plan = replace(result.plan, scenario_name=EVIL, loads=(evil_load, *result.plan.loads[1:]))
    hold = HoldCost(
        EVIL, "DRY", "STILLHOUSE", "held", 1.0, None, None, EVIL, (EVIL,), unpriced=EVIL
    )
    page = render_report(
        replace(result, plan=plan, holds=(hold,), explanations=((EVIL,),)), scenario
    )
    assert EVIL not in page
    assert page.count("<script>") == 1
    assert "&lt;script&gt;" in page


def test_an_interrupted_plan_says_so(made: tuple[PlanResult, Scenario], page: str) -> None:
    result, scenario = made
    assert english()("interrupted") not in page
    proof = replace(result.plan.proof, interrupted=True, bound=float("-inf"))
    cut = render_report(replace(result, plan=replace(result.plan, proof=proof)), scenario)
    assert english()("interrupted") in cut
    assert english()("proof_no_bound") in cut


def moved(load: PlannedLoad) -> PlannedLoad:
    return replace(load, lane="grain-road")


def test_changes_since_an_earlier_plan_are_listed(made: tuple[PlanResult, Scenario]) -> None:
    result, scenario = made
    fewer = replace(result.plan, loads=result.plan.loads[:-1])
    difference = compare_plans(replace(result, plan=fewer), result)
    page = render_report(result, scenario, since=difference)
    assert english()("h_changes") in page
    assert ">added<" in page
    assert "Loads that are as they were: 2." in page


def test_another_language_by_a_table_of_terms(
    made: tuple[PlanResult, Scenario], tmp_path: Path
) -> None:
    file = tmp_path / "lv.yaml"
    file.write_text(
        "report: Ceturkšņa pārskats\nh_stock: Krājumi pret zemāko līmeni un tilpumu\n"
        'kept: "{kept} kravas palika nemainīgas."\n',
        encoding="utf-8",
    )
    terms = read_terms(file)
    page = render_report(*made, terms=terms)
    assert '<html lang="lv">' in page
    assert "Ceturkšņa pārskats" in page
    assert "Krājumi pret zemāko līmeni un tilpumu" in page
    assert english()("h_proof") in page  # left out, said in English
    assert f"{len(english().own) - 3} of them" in page


def test_a_table_of_terms_with_slips_is_refused_whole(tmp_path: Path) -> None:
    file = tmp_path / "lv.yaml"
    file.write_text(
        'reprot: x\nkept: "bez lauka"\nh_map: 7\nmap_alt: "{sites.__class__}"\n', encoding="utf-8"
    )
    with pytest.raises(InputError) as caught:
        read_terms(file)
    said = str(caught.value)
    assert len(caught.value.faults) == 4
    assert "reprot is no term of the report. Did you mean report?" in said
    assert "kept does not have the fields of the English term. Use {kept}." in said
    assert "h_map is not a text." in said
    assert "map_alt does not have the fields of the English term." in said


@pytest.mark.parametrize("content", ["", "- a\n", "!!python/object:os.system {}\n", "\x00"])
def test_what_is_no_table_of_terms_is_refused(tmp_path: Path, content: str) -> None:
    file = tmp_path / "xx.yaml"
    file.write_text(content, encoding="utf-8")
    with pytest.raises(InputError):
        read_terms(file)


def test_every_english_term_is_used() -> None:
    code = "".join(
        path.read_text("utf-8")
        for path in (ROOT / "bulkflow" / "report").iterdir()
        if path.suffix in {".py", ".html"}
    )
    built = (
        "kind_",
        "status_",
        "change_",
        "changes_",
        "cost_",
        "gate_",
        "do_",
        "miss_",
        "verdict_",
    )
    unused = [
        key
        for key in english().own
        if f'"{key}"' not in code and f"'{key}'" not in code and not key.startswith(built)
    ]
    assert unused == []


def luminance(colour: str) -> float:
    red, green, blue = (int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_all_shades_differ_in_grey() -> None:
    for one, other in itertools.combinations(SHADES, 2):
        apart = abs(luminance(one.fill) - luminance(other.fill))
        assert one.hatch != other.hatch or apart > 0.5
    assert all(luminance(one.fill) > 0.55 for one in SHADES if one.hatch)


def test_a_hatch_stays_inside_its_square() -> None:
    for shade in SHADES:
        lines = re.findall(r"M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)", square(10, 20, 14, 17, shade))
        assert bool(lines) == bool(shade.hatch)
        for x, y, to_x, to_y in (tuple(map(float, line)) for line in lines):
            assert 10 <= min(x, to_x) <= max(x, to_x) <= 24
            assert 20 <= min(y, to_y) <= max(y, to_y) <= 37


def test_pictures_are_the_same_every_time_and_say_each_week(
    made: tuple[PlanResult, Scenario],
) -> None:
    plan = made[0].plan
    weeks = len(plan.period_starts)
    series = Series("SITE", "DRY", (5000.0, *(3000.0 + week for week in range(weeks))), 3001.0, 9e3)
    drawn = [Strips(plan, english()).stock(series, name="s") for _ in range(2)]
    assert drawn[0] == drawn[1]
    words = re.findall(r"<g><title>([^<]*)</title>", drawn[0])
    assert len(words) == weeks
    assert words[0].startswith(f"week of {english().day(plan.period_starts[0])}: 3,000 LPA")
    assert drawn[0].count("<circle") == 1  # below its floor in the first week alone


def test_totals_are_apart_from_the_rows_that_are_sorted(page: str) -> None:
    for table in re.findall(r"<table.*?</table>", page, re.S):
        body = table[table.index("<tbody") : table.index("</tbody>")]
        assert f">{english()('total')}<" not in body
    assert page.count("<tfoot") >= 3  # money, purchases, demand


def test_what_the_page_says_first_is_the_verdict_and_four_figures(
    made: tuple[PlanResult, Scenario], page: str
) -> None:
    result, scenario = made
    first = page[page.index("<main>") : page.index("<nav")]
    assert english()("verdict_mind") in first  # its lots were not put into loads: not looked at
    assert re.findall(r'class="value">([^<]+)<', first) == ["100 %", "0 LPA", "0 %", "86.7 %"]
    owing = replace(result.plan.demand[0], open_lpa=7_000.0)
    plan = replace(result.plan, demand=(owing, *result.plan.demand[1:]))
    short = render_report(replace(result, plan=plan), scenario)
    first = short[short.index("<main>") : short.index("<nav")]
    assert english()("verdict_short") in first
    assert "7,000 LPA !" in first
    proof = replace(result.plan.proof, bound=0.5 * result.plan.proof.cost)
    wide = render_report(replace(result, plan=replace(result.plan, proof=proof)), scenario)
    assert english()("verdict_look_longer") in wide


def test_a_wrong_count_of_months_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "lv.yaml"
    file.write_text("months: jan feb\n", encoding="utf-8")
    with pytest.raises(InputError, match="months is not twelve months"):
        read_terms(file)


def test_the_weeks_list_is_on_the_first_screen_with_its_commands(
    made: tuple[PlanResult, Scenario],
) -> None:
    result, scenario = made
    start = result.plan.period_starts[0]
    name = result.plan.loads[0].load_id
    lines = [
        Due(
            DueKind.LOAD,
            f"do {EVIL} {n}",
            name,
            start,
            1_000.0 * n,
            -n,
            50.0 * n,
            f"go {n}",
        )
        for n in range(1, 12)
    ]
    week = Week("w", "EUR", start, tuple(lines), unseen=("Not looked at: tanks.",))
    page = render_report(result, scenario, week=week)
    assert EVIL not in page
    first = page[: page.index("<nav")]
    assert all(f"<code>go {n}</code>" in first for n in range(1, 9))
    assert f"<b>LATE, {english().day(start)}</b>" in first
    assert "(8,000 LPA, 400 EUR)" in first
    assert "<code>go 11</code>" in page[page.index("<nav") :]  # the rest is told, too
    assert "Not looked at: tanks." in page
    links = set(re.findall(r'href="#([^"]+)"', page))
    assert links <= set(re.findall(r' id="([^"]+)"', page))
    nothing = render_report(result, scenario, week=replace(week, lines=()))
    assert english()("nothing_due") in nothing
