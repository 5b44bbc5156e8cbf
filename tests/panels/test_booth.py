"""The booth: turns and clocks, what is kept once, what an assessor's browser never sees."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bulkflow.records import Actor, Appointment, Role, change_role, records_about
from panels.booth.desk import Kept
from panels.booth.forms import Answer, read_answer
from panels.booth.occasion import Occasion, Place, Serving
from panels.records import SHEET, Glass, Sheet
from panels.sittings.history import find_sitting
from panels.sittings.keys import key_path, read_key
from panels.sittings.scores import SheetRules
from tests.panels.booth import CODE, LEADER, Booth, Browser, Clock, score, shown_codes
from tests.panels.conftest import FIRST, Panels, record_count, register
from tests.panels.filled_sheets import subjects_of

START = datetime.fromisoformat("2026-12-15T08:00:00+00:00")
PAUSE = timedelta(seconds=60)


def occasion(**changes: object) -> Occasion:
    glasses = (
        Serving(1, 1, ("417",), "L"),
        Serving(1, 2, ("222",), "L"),
        Serving(2, 1, ("313",), "L"),
    )
    values: dict[str, object] = {
        "name": "S", "held_on": date(2026, 12, 15), "zone": "Europe/Riga", "room": "room",
        "assessors": ("A1",), "attributes": (), "earliest": timedelta(minutes=15),
        "latest": timedelta(minutes=60), "note": "", "servings": {"A1": glasses},
        "rules": SheetRules(1.0, 10.0, 0.5, ("musty",), 3),
    }  # fmt: skip
    return Occasion(**values | changes)  # type: ignore[arg-type]


def test_a_serving_opens_when_it_has_rested_and_the_nose_too() -> None:
    one = occasion()
    assert one.turn("A1", START, PAUSE).place is Place.WAITING
    one.poured[1] = START
    for minutes, place in ((0, Place.RESTING), (14.99, Place.RESTING), (15, Place.OPEN)):
        assert one.turn("A1", START + timedelta(minutes=minutes), PAUSE).place is place
    turn = one.turn("A1", START, PAUSE)
    assert (turn.opens, turn.number, turn.of) == (START + timedelta(minutes=15), 1, 3)
    answered = START + timedelta(minutes=16)
    one.answers["A1"] = {"417": answered}
    turn = one.turn("A1", answered + timedelta(seconds=59), PAUSE)
    assert turn.place is Place.PAUSING and turn.serving == one.servings["A1"][1]
    assert one.turn("A1", answered + PAUSE, PAUSE).place is Place.OPEN
    one.answers["A1"]["222"] = answered + PAUSE
    assert one.turn("A1", answered + timedelta(hours=1), PAUSE).place is Place.WAITING
    one.over = True
    assert one.turn("A1", answered, PAUSE).place is Place.OVER


@given(st.lists(st.tuples(st.sampled_from(["pour 1", "pour 2", "answer", "wait"]),
                          st.integers(0, 1200)), max_size=12))  # fmt: skip
@settings(max_examples=25)
def test_nothing_opens_before_its_time_whatever_happens(acts: list[tuple[str, int]]) -> None:
    one, now = occasion(), START
    for act, seconds in acts:
        now += timedelta(seconds=seconds)
        turn = one.turn("A1", now, PAUSE)
        if turn.place is Place.OPEN:
            assert turn.serving is not None
            assert now >= one.poured[turn.serving.flight] + one.earliest
            assert all(now >= at + PAUSE for at in one.answers.get("A1", {}).values())
        if act == "answer" and turn.place is Place.OPEN and turn.serving is not None:
            one.answers.setdefault("A1", {})[turn.serving.codes[0]] = now
        elif act.startswith("pour"):
            one.poured.setdefault(int(act[-1]), now)


FORM = st.dictionaries(
    st.sampled_from(["score", "attribute:fruit", "note:musty", "remarks", "choice", "other"]),
    st.one_of(
        st.text(max_size=8), st.sampled_from(["7", "7.5", "none", "1e9", "nan", "10", "", "2"])
    ),
)


@given(FORM)
@settings(max_examples=15)
def test_a_form_is_a_glass_that_can_be_kept_or_is_told_what_is_wrong(form: dict[str, str]) -> None:
    one = occasion(attributes=("fruit",))
    found, wrong = read_answer(one, one.servings["A1"][0], form)
    assert (found is None) == bool(wrong)
    if found is not None:
        glass = Glass.model_validate((found.glass or {}) | {"poured": "10:00", "nosed": "10:15"})
        text = SHEET.text(Sheet(sitting="S", assessor="A1", glasses=(glass,)))
        assert SHEET.read(SHEET.version, text).glasses == (glass,)
        assert glass.score is None or one.rules.wrong_score(glass.score) == ""


@pytest.fixture
def booth(planned: Path) -> Iterator[Booth]:
    with Booth(planned) as found:
        yield found


@pytest.fixture
def begun(booth: Booth) -> tuple[Booth, Browser, dict[str, Browser]]:
    """Everybody seated, both flights poured, the first ones open."""
    leader = booth.leader()
    people = booth.seated(leader, FIRST)
    leader.see(f"/lead/{FIRST}")
    for flight in re.findall(r'name="flight" value="(\d)"', leader.page):
        leader.fill(f"/lead/{FIRST}/pour", flight=flight)
    booth.clock.pass_(minutes=15)
    return booth, leader, people


@pytest.mark.full
def test_a_sitting_in_the_booth(begun: tuple[Booth, Browser, dict[str, Browser]]) -> None:
    booth, leader, people = begun
    inside = subjects_of(booth.folder, FIRST)
    made = {f"strength:{name}": "20.1" for name in set(inside.values())}
    wrong = made | {"strength:VK-DRY-2641": "21", "strength:VK-CIT-2641": "nan"}
    leader.fill(f"/lead/{FIRST}/prepare", **wrong)
    assert leader.status == 422 and "make it up anew" in leader.page
    leader.fill(f"/lead/{FIRST}/prepare", **made)
    assert leader.status == 200 and "Samples made up" not in leader.page
    key = read_key(key_path(booth.folder, FIRST), sitting=FIRST)
    orders = {who: [line.code for line in key.lines if line.assessor == who] for who in people}
    for number in range(max(map(len, orders.values()))):
        for who, browser in people.items():
            if number >= len(orders[who]):
                continue
            page = browser.see("/")
            assert shown_codes(page) == [orders[who][number]]
            subject = inside[(who, orders[who][number])]
            fields = {"note:sulphury": "3"} if subject == "VK-CIT-2642" and who < "A5" else {}
            score(browser, "8" if (number + len(who)) % 2 else "7.5", **fields)
            assert "Rest your nose" in browser.page or "last one" in browser.page
        booth.clock.pass_(seconds=61)
    assert "0 s ago" not in leader.see(f"/lead/{FIRST}") and "finished" in leader.page
    for word in ("sulphury", "7.5"):
        assert word not in leader.page.split("A slip")[0]
    # a slip, struck through by the leader
    leader.fill(f"/lead/{FIRST}/amend", assessor="A1", code=orders["A1"][0], column="score",
                value="6.5", reason="keyed by mistake")  # fmt: skip
    assert leader.status == 200
    leader.fill(f"/lead/{FIRST}/close", remarks="")
    assert "What it found" in leader.page and "Not decided yet" in leader.page
    leader.fill(f"/lead/{FIRST}/decide")
    assert "Decision in record" in leader.page and "<svg" in leader.page
    assert 'style="' not in leader.page  # the content policy would drop it
    with register(booth.folder) as session:
        held = find_sitting(session, FIRST)
        assert len(held.sheets) == len(people) and not held.outstanding
        assert held.preparation is not None and held.preparation.prepared_by == LEADER
        assert len(held.amendments) == 1 and held.amendments[0][0].actor == LEADER
        glass = held.sheets[0][1].glasses[0]
        assert (glass.poured, glass.nosed) == ("10:00", "10:15")
    assert "is closed" in people["A1"].see("/")
    _override(leader)
    _nothing_leaked(booth, people, key)


def _override(leader: Browser) -> None:
    held = re.findall(r'<h3 id="lot-\d">([^:]+): hold', leader.page)
    assert held
    leader.fill(f"/lead/{FIRST}/override", lot=held[0], role="release officer", reason="short")
    assert leader.status == 422 and "Say in a few words" in leader.page
    leader.fill(f"/lead/{FIRST}/override", lot=held[0], role="release officer",
                reason="the customer accepts it")  # fmt: skip
    assert leader.status == 200, leader.page


def _nothing_leaked(booth: Booth, people: dict[str, Browser], key: object) -> None:
    """Search every byte that assessors were sent, headers too."""
    with register(booth.folder) as session:
        sitting = find_sitting(session, FIRST).sitting
    hidden = {*sitting.samples, str(key.seed), key.digest, LEADER, CODE, sitting.coder}  # type: ignore[attr-defined]
    hidden |= {f"{lot.strength:g} %" for lot in sitting.lots} | {"control", "repeat", "spiked"}
    for who, browser in people.items():
        sent = b"\n".join(browser.sent).replace(b"cache-control", b"")
        assert len(sent) > 10_000
        for word in hidden:
            assert word.encode() not in sent, (who, word)
        for other in set(sitting.assessors) - {who}:
            assert not re.search(rb"\b%s\b" % other.encode(), sent), (who, other)
        own = {place.code for place in sitting.places if place.assessor == who}
        assert set(shown_codes(sent.decode())) == own
    for word in (b"Server", b"uvicorn", b"starlette"):
        assert all(word.lower() not in b"".join(one.sent).lower() for one in people.values())


@pytest.mark.full
def test_what_is_refused_and_what_is_kept_once(
    begun: tuple[Booth, Browser, dict[str, Browser]], panels: Panels
) -> None:
    booth, leader, people = begun
    one, other = people["A1"], people["A2"]
    page = one.see("/")
    (code,) = shown_codes(page)
    before = record_count(booth.folder)
    for fields in (
        {"step": "check"}, {"step": "check", "score": "99"}, {"step": "check", "score": "7.25"},
        {"step": "check", "score": "nan"}, {"step": "confirm", "score": "7", "note:sulphury": "9"},
        {"step": "check", "score": "7", "remarks": "<script>"}, {"step": "x", "score": "7"},
    ):  # fmt: skip
        one.see("/")
        one.fill("/answer", **fields)
        assert one.status in (200, 422) and "is this right?" not in one.page, fields
    one.see("/")
    one.fill("/answer", step="confirm", score="7", form="forged")
    assert one.status == 403
    one.see("/")
    one.fill("/answer", step="confirm", score="7", codes="999")
    assert one.status == 409
    assert record_count(booth.folder) == before
    # the other's codes are not one's own, and a foreign cookie opens nothing
    other.see("/")
    (others,) = shown_codes(other.page)
    one.see("/")
    one.fill("/answer", step="confirm", score="7", codes=others)
    assert one.status == 409 or others == code
    # sent twice, it is stored once, and the first one stays
    one.see("/")
    form = re.findall(r'name="form" value="([^"]+)"', one.page)[0]
    data = {"form": form, "codes": code, "step": "confirm", "score": "7"}
    for value in ("7", "7", "3"):
        assert one.post("/answer", data=data | {"score": value}).status_code == 200
    with register(booth.folder) as session:
        sheets = records_about(session, FIRST, kinds=(SHEET.name,))
        assert [record.content["glasses"][0]["score"] for record in sheets] == [7.0]
    # the pause: no form, and a form sent all the same is refused
    assert "Rest your nose" in one.see("/") and not shown_codes(one.page)
    following = read_key(key_path(booth.folder, FIRST), sitting=FIRST)
    second = [line.code for line in following.lines if line.assessor == "A1"][1]
    assert one.post("/answer", data=data | {"codes": second}).status_code == 409
    # an answer that is given up before it is kept stops nobody else's
    given_up = Answer(Serving(1, 1, ("100",), "VK-DRY"), glass={"code": "100", "score": 7.0})
    for _ in range(20):
        booth.desk.keep(FIRST, "A3", given_up).cancel()
    assert booth.desk.keep(FIRST, "A3", given_up).result(20) is Kept.NOT_IN_TURN
    # a killed booth goes on where it was, with the same sessions
    booth.stop()
    booth.start()
    assert "Rest your nose" in one.see("/")
    booth.clock.pass_(seconds=60)
    assert shown_codes(one.see("/")) == [second]
    # sheets on paper of the same assessor are refused
    with register(booth.folder) as session:
        assert find_sitting(session, FIRST).state == "1 of 10 sheets in, 1 of them in part"
    ran = panels("sitting", "cancel", booth.folder, FIRST, "--reason", "not held today")
    assert ran.code == 2 and "A1" in ran.err
    # a new code ends the session before it
    leader.see(f"/lead/{FIRST}")
    leader.fill(f"/lead/{FIRST}/codes", assessor="A1")
    assert "Take your seat" in one.see("/")
    # everything else is closed to who is not signed in
    stranger = Browser(booth.app)
    for path in ("/lead", f"/lead/{FIRST}"):
        assert FIRST not in stranger.see(path)
    assert stranger.post(f"/lead/{FIRST}/close").status_code == 403
    assert stranger.post("/lead/next").status_code == 403
    assert stranger.get("/nowhere").status_code == 404


@pytest.mark.full
def test_rest_is_held_by_the_server_and_a_code_opens_one_seat_once(booth: Booth) -> None:
    leader = booth.leader()
    people = booth.seated(leader, FIRST)
    assert "are to come" in people["A1"].see("/")
    assert people["A1"].see("/turn") == "waiting-1"
    leader.see(f"/lead/{FIRST}")
    leader.fill(f"/lead/{FIRST}/pour", flight="1")
    booth.clock.pass_(minutes=14, seconds=59)
    page = people["A1"].see("/")
    assert "opens at <strong>10:15:00</strong>" in page and "<form" not in page
    assert people["A1"].see("/turn") == "resting-1"
    booth.clock.pass_(seconds=1)
    assert "<form" in people["A1"].see("/")
    leader.fill(f"/lead/{FIRST}/pour", flight="1")
    assert leader.status == 422 and "poured already" in leader.page
    # codes: wrong, used, too many
    thief = Browser(booth.app)
    thief.see("/")
    for _ in range(10):
        thief.fill("/enter", code="AAAA-BBBB-CCCC")
        assert thief.status == 403
    thief.fill("/enter", code="AAAA-BBBB-CCCC")
    assert thief.status == 429 and "Wait" in thief.page


@pytest.mark.full
def test_a_leader_without_the_role_is_refused(
    begun: tuple[Booth, Browser, dict[str, Browser]], panels: Panels
) -> None:
    booth, leader, people = begun
    with booth.store.write(Actor("Owner", "tests")) as session:
        for person, role in (("Owner", Role.OWNER), (LEADER, Role.CLERK)):
            body = Appointment(person=person, role=role, action="appoint", reason="so")
            change_role(session, body)
    score(people["A1"], "7")
    leader.see(f"/lead/{FIRST}")
    leader.fill(f"/lead/{FIRST}/close")
    assert leader.status == 422 and "lacks 79 answers" in leader.page
    people["A2"].see("/")
    leader.fill(f"/lead/{FIRST}/close", sure="yes")  # a clerk may
    people["A2"].fill("/answer", step="confirm", score="7")
    assert people["A2"].status == 409 and "Nothing was kept" in people["A2"].page
    people["A1"].see("/")
    assert leader.status == 200 and "What it found" in leader.page
    leader.fill(f"/lead/{FIRST}/decide")
    assert leader.status == 422 and "may not" in leader.page and "panel leader" in leader.page
    ran = panels("booth", booth.folder, "--as", "Nobody", "--port", "0")
    assert ran.code != 0 and "may not serve sittings" in ran.err


@pytest.mark.full
def test_another_day_is_no_day_for_it(planned: Path) -> None:
    with Booth(planned, Clock(START - timedelta(days=1))) as booth:
        leader = booth.leader()
        leader.see(f"/lead/{FIRST}")
        leader.fill(f"/lead/{FIRST}/pour", flight="1")
        assert leader.status == 422 and "--rehearsal" in leader.page


@pytest.mark.full
def test_sets_of_three_and_a_sitting_from_the_queue(decided: Path, panels: Panels) -> None:
    clock = Clock(datetime.fromisoformat("2027-01-05T08:00:00+00:00"))
    with Booth(decided, clock, pause=0) as booth:
        leader = booth.leader()
        assert "VK-NAVY-2642" in leader.page
        for sets, status in (("1", 422), ("2", 200)):
            leader.fill("/lead/next", lot="VK-CIT-2642", name="C-1", on="2027-01-05", sets=sets)
            assert leader.status == status, leader.page
        assert "test on sulphury" in leader.see("/lead")
        for name, lots, said in (("", "2", "sitting: "), ("R-9", "two", "whole number"),
                                 ("../x", "2", "sitting")):  # fmt: skip
            leader.fill("/lead/next", lot="", name=name, on="2027-01-12", lots=lots, water="W")
            assert leader.status in (200, 422) and "Traceback" not in leader.page
            assert leader.status == 200 or said in leader.page, leader.page
            leader.see("/lead")
        people = booth.seated(leader, "C-1")
        leader.see("/lead/C-1")
        leader.fill("/lead/C-1/pour", flight="1")
        leader.fill("/lead/C-1/pour", flight="2")
        clock.pass_(minutes=15)
        inside = subjects_of(decided, "C-1")
        leader.fill("/lead/C-1/close")
        assert leader.status == 422 and "20 sets without an answer" in leader.page
        for who, browser in people.items():
            for _ in range(2):
                codes = shown_codes(browser.see("/"))
                assert len(codes) == 3
                browser.fill("/answer", step="check")
                assert browser.status == 422 and "have to guess" in browser.page
                (odd,) = [one for one in codes if inside[(who, one)] == "VK-CIT-2642"]
                browser.fill("/answer", step="check", choice=odd)
                browser.fill("/answer", step="confirm")
            assert "That was the last one" in browser.page
        leader.see("/lead/C-1")
        leader.fill("/lead/C-1/close")
        assert leader.status == 200 and "VK-CIT-2642: reject" in leader.page
        assert all(b"VK-CIT-2642" not in b"".join(one.sent) for one in people.values())
        leader.see("/lead")
        leader.fill(
            "/lead/next", lot="", name="R-9", on="2027-01-12", lots="2", water="demineralised"
        )
        assert leader.status == 200 and "R-9" in leader.page and "Flight 1 is poured" in leader.page
        leader.see("/lead")
        leader.fill(
            "/lead/next", lot="", name="R-9", on="2027-01-12", lots="2", water="demineralised"
        )
        assert leader.status == 422
    assert panels("sitting", "list", decided).code == 0


def test_without_the_extra_the_command_says_how_to_get_it(
    tmp_path: Path, panels: Panels, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("bulkflow.web.serving", "panels.booth.app"):
        monkeypatch.delitem(sys.modules, name, raising=False)
    monkeypatch.setitem(sys.modules, "uvicorn", None)
    ran = panels("booth", tmp_path)
    assert ran.code == 2 and "pip install '.[booth]'" in ran.err and not ran.out
