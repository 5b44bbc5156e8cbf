"""The file of a lot: whole, self-contained, escaped, with every record and its hash."""

import re
from decimal import Decimal
from html.parser import HTMLParser

import pytest

from bulkflow.account.lot_file import lot_file, lot_file_html
from bulkflow.errors import InputError
from bulkflow.lots.acts import lift_hold, place_holds
from bulkflow.records import head, records_about
from tests.lots.making import a_limit, a_result, a_rule, panel

from .making import a_load, a_lot, bottled, received

D = Decimal
HOSTILE = '<script>alert("x")</script>'


class Reader(HTMLParser):
    """Gathers the tags and the text of a page."""

    def __init__(self):
        super().__init__()
        self.tags, self.text, self.outside = [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.outside += [
            value for name, value in attrs if name in {"src", "href", "action"} and value
        ]

    def handle_data(self, data):
        self.text.append(data)


@pytest.fixture
def page(both, ann, scenario):
    with both.write(ann) as session:
        a_rule(session)
        a_lot(session, "N-1", "12000", liquid="neutral", supplier_id="OSTRAVELE")
        a_lot(session, "D-1", "9000", parents={"N-1": "10000"}, note=f"a note {HOSTILE}")
        a_limit(session)
        a_result(session, "D-1", "4.5")
        place_holds(session, ["D-1"], f"nosed again {HOSTILE}")
        lift_hold(session, "D-1", "clean")
        panel(session, "D-1")
        a_load(session, "L-1", {"D-1": "5000"})
        received(session, "L-1", "4900", u="5")
        bottled(session, "B-1", [("load", "L-1", "1000")], codes=[("N1-0001", "N1-0600")])
    with both.read() as session:
        found = lot_file(session, scenario, "D-1")
        records = records_about(session, "D-1")
        last = head(session)
    reader = Reader()
    html = lot_file_html(found)
    reader.feed(html)
    text = re.sub(r"\s+", " ", " ".join(reader.text))
    return html, reader, text, records, last


def test_it_tells_the_whole_story(page):
    _, _, text, records, last = page
    for words in (
        "Lot D-1",
        "Released : it may ship",
        "4,000.000 LPA left of 9,000.000.",
        "N-1",  # the parent
        "methanol",
        "six assessors, one sitting",  # the summary of the evidence
        "nose version 1",
        "release quality",
        "Operating characteristic of the rule",
        "Ilse Marten (panel leader)",
        "nosed again",
        "hold of record",
        "L-1",
        "+100.000 LPA ±",  # the arrival
        "B-1",
        "N1-0001 to N1-0600",
        str(last),
    ):
        assert words.replace(" :", ":") in text.replace(" :", ":"), words
    assert len(records) >= 6
    for record in records:
        assert record.hash in text


def test_it_asks_nothing_from_outside_and_runs_nothing(page):
    html, reader, _, _, _ = page
    assert "script" not in reader.tags
    assert HOSTILE not in html
    assert "&lt;script&gt;" in html
    assert all(address.startswith("#") for address in reader.outside)
    assert "default-src 'none'" in html
    assert "@page { size: A4" in html
    assert reader.tags.count("svg") == 2
    ids = re.findall(r'\sid="([^"]+)"', html)
    assert len(ids) == len(set(ids))


def test_a_lot_without_history_has_a_file_too(store, ann, scenario):
    with store.write(ann) as session:
        a_lot(session, "D-1", "100")
    with store.read() as session:
        html = lot_file_html(lot_file(session, scenario, "D-1"))
        with pytest.raises(InputError, match="Did you mean D-1"):
            lot_file(session, scenario, "D-11")
    assert "No decision was taken." in html
    assert "It is in no load." in html
