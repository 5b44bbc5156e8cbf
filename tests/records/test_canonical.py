import hashlib
import json
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bulkflow.records.canonical import BEGINNING, canonical_text, chain_hash
from bulkflow.records.times import check_zone, local_time, utc_from_text, utc_text

texts = st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\x00"))
plain = st.recursive(
    st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | texts,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(texts, inner, max_size=4),
    max_leaves=12,
)


def test_the_form_is_written_out():
    value = {
        "b": [Decimal("10.50"), 3, True],
        "a": {"é": "u\u0308", "none": None},
        "on": date(2026, 3, 9),
        "estimate": 6.25,
    }
    assert canonical_text(value) == (
        '{"a":{"é":"ü"},"b":["10.50",3,true],"estimate":6.25,"on":"2026-03-09"}'
    )


@given(plain)
def test_reading_and_writing_again_changes_nothing(value):
    text = canonical_text(value)
    assert canonical_text(json.loads(text)) == text


@given(st.dictionaries(texts, plain, min_size=2, max_size=6))
def test_the_order_of_keys_does_not_matter(value):
    turned = dict(reversed(value.items()))
    assert canonical_text(turned) == canonical_text(value)


@pytest.mark.parametrize(
    "value",
    [float("nan"), float("inf"), Decimal("NaN"), Decimal("-Infinity"), "a\x00b", "\ud800"],
    ids=["nan", "inf", "decimal nan", "decimal inf", "NUL", "half a character"],
)
def test_what_cannot_be_kept_is_refused(value):
    with pytest.raises(ValueError):
        canonical_text({"value": value})


@pytest.mark.parametrize("value", [{1: 2}, {"a": object()}, {"a": datetime.now(UTC)}])
def test_what_has_no_form_is_refused(value):
    with pytest.raises(TypeError):
        canonical_text(value)


def test_the_hash_is_sha256_of_the_form_without_the_hash():
    fields = {"seq": 1, "previous": BEGINNING, "body": {"lpa": Decimal("1.500")}}
    expected = hashlib.sha256(
        b'{"body":{"lpa":"1.500"},"previous":"' + b"0" * 64 + b'","seq":1}'
    ).hexdigest()
    assert chain_hash(fields) == expected
    assert chain_hash({**fields, "hash": "anything"}) == expected


def test_sha256_is_the_published_function():
    # FIPS 180-4 example: the message "abc" (NIST, Example Values, SHA256).
    assert hashlib.sha256(b"abc").hexdigest() == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )


@given(st.datetimes(timezones=st.just(UTC)).filter(lambda instant: instant.year >= 1000))
def test_instants_come_back(instant):
    assert utc_from_text(utc_text(instant)) == instant


def test_an_instant_without_a_zone_is_refused():
    with pytest.raises(ValueError, match="without a zone"):
        utc_text(datetime(2026, 1, 1))  # noqa: DTZ001  (the point of the test)


def test_the_local_day_of_a_site_is_told():
    assert str(local_time("2026-07-01T23:30:00.000000Z", "Europe/Lisbon").date()) == "2026-07-02"


@pytest.mark.parametrize("name", ["Mars/Olympus", "", "../etc/passwd", "/etc/localtime"])
def test_an_unknown_zone_is_refused(name):
    with pytest.raises(ValueError, match="not a known time zone"):
        check_zone(name)
