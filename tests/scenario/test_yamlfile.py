"""YAML without its surprises: what scalars mean, and the same from either parser."""

import pytest
import yaml

from bulkflow.errors import InputError
from bulkflow.reading import yamlfile
from bulkflow.reading.yamlfile import parse_yaml
from tests.scenario.broken import COAST


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("NO", "NO"),
        ("yes", "yes"),
        ("on", "on"),
        ("true", True),
        ("False", False),
        ("~", None),
        ("null", None),
        ("", None),
        ("12", 12),
        ("-12", -12),
        ("+3", 3),
        ("010", "010"),
        ("0x1F", "0x1F"),
        ("0b1", "0b1"),
        ("1_000", "1_000"),
        ("12:30", "12:30"),
        ("1e5", 1e5),
        ("1.", 1.0),
        (".5", 0.5),
        ("-0.5e-3", -0.0005),
        ("01.5", "01.5"),
        ("2027-01-04", "2027-01-04"),
        ("'12'", "12"),
        ('"true"', "true"),
        ("|\n  12\n", "12\n"),
        (">-\n  a\n  b\n", "a b"),
        ("=", "="),
        ("9" * 41, float("9" * 41)),
    ],
)
def test_scalars(written: str, value: object) -> None:
    read = parse_yaml(f"key: {written}\n", "x").value
    assert read == {"key": value}
    assert type(read["key"]) is type(value)


def test_infinite_and_no_number_are_told_apart_from_words() -> None:
    read = parse_yaml("[.inf, -.INF, .nan]", "x").value
    assert read[:2] == [float("inf"), float("-inf")]
    assert read[2] != read[2]


def test_lines_of_keys_and_items() -> None:
    document = parse_yaml("a:\n  - x\n  -\n    b: 1\n    c:\n      [2,\n       3]\n", "x")
    assert document.lines == {
        "": 1,
        "a": 1,
        "a[0]": 2,
        "a[1]": 4,
        "a[1].b": 4,
        "a[1].c": 5,
        "a[1].c[0]": 6,
        "a[1].c[1]": 7,
    }


def test_both_parsers_read_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    text = (COAST / "scenario.yaml").read_text("utf-8")
    by_default = parse_yaml(text, "x")
    monkeypatch.setattr(yamlfile, "_LOADER", yaml.SafeLoader)
    assert parse_yaml(text, "x") == by_default
    with pytest.raises(InputError, match=r"x, line 2: cannot be read as YAML"):
        parse_yaml("a: [1,\nb: 2", "x")


@pytest.mark.parametrize("loader", ["SafeLoader", "CSafeLoader"])
def test_a_bomb_of_aliases_is_never_blown_up(loader: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(yamlfile, "_LOADER", getattr(yaml, loader))
    levels = [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 50)}]" for n in range(1, 30)]
    document = parse_yaml("\n".join(["a0: &a0 [x]", *levels]), "x")
    assert document.is_broken
    assert len(document.faults) == 30 + 29
    assert sum(len(value) for value in document.value.values()) == 1 + 29 * 50


def test_odd_keys_do_not_upset_the_report() -> None:
    document = parse_yaml('{"a\\nb": 1, "\\e[31m": 2, ? "' + "k" * 70 + '" : 3}', "x")
    assert list(document.value) == [repr("a\nb"), repr("\x1b[31m"), repr("k" * 40)]
