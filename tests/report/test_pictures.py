"""The pictures of the README: made by a script, whole, of the demo as it is."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest

from bulkflow.scenario import read_workspace
from tests.make_pictures import FOLDER as DEMO
from tests.make_pictures import PICTURES, pictures
from tests.plan.everything import FOLDER, result, scenario

SPACES = {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}


@pytest.fixture(scope="module")
def made() -> dict[str, str]:
    return pictures(result(), scenario(), FOLDER)


@pytest.mark.full
def test_every_picture_is_whole_and_asks_for_nothing(made: dict[str, str]) -> None:
    assert set(made) == {"map.svg", "calendar.svg", "answer.svg"}
    for name, text in made.items():
        root = ET.fromstring(text)
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        assert root.attrib["role"] == "img"
        assert set(re.findall(r'https?://[^"\s<)]+', text)) <= SPACES, name
        assert "@import" not in text
        assert "@font-face" not in text


def test_the_answer_in_the_terminal_is_drawn(made: dict[str, str]) -> None:
    drawn = "".join(ET.fromstring(made["answer.svg"]).itertext()).replace("\xa0", " ")
    assert result().plan.scenario_name in drawn
    assert f"{result().plan.costs.total:,.0f} EUR" in drawn


def test_the_pictures_kept_are_of_the_demo_as_it_is() -> None:
    demo = read_workspace(DEMO).scenario
    drawn = (PICTURES / "map.svg").read_text("utf-8")
    for site in (*demo.sites, *demo.suppliers):
        assert f">{site.id}<" in drawn
    for name in ("map.svg", "calendar.svg", "answer.svg"):
        assert demo.name in (PICTURES / name).read_text("utf-8").replace("&#160;", " ")
