"""The one stylesheet: its margins say what a sheet is, and no name breaks out of it."""

from __future__ import annotations

import re

import pytest

from bulkflow.paper import look, short_head, stylesheet


@pytest.mark.parametrize(
    "name", ['A-1"; } * { display: none', "</style><script>", "back\\slash", "line\nfeed", "ø 😀"]
)
def test_no_name_ends_the_string_or_the_style_it_stands_in(name: str) -> None:
    style = str(stylesheet(f"Load sheet {name}", f"7:{name}"))
    boxes = style.removeprefix(look())
    assert "<" not in boxes
    strings = re.findall(r'"(?:[^"\\\n]|\\.)*"', boxes)
    assert boxes.count("\n") == 1  # the one at its end
    # Outside of strings only our own words are left.
    rest = re.sub(r'"(?:[^"\\\n]|\\.)*"', "S", boxes)
    assert rest == (
        "@page { size: A4; @top-left { content: S; }"
        " @top-right { content: S counter(page) S counter(pages) S; }"
        " @bottom-left { content: S; } }\n"
    )
    assert len(strings) == 5


def test_pages_are_counted_in_the_words_of_a_language_and_turned_where_asked() -> None:
    style = str(stylesheet("x", turned="landscape", page_words="{page}. lapa no {pages}"))
    assert '"" counter(page) ". lapa no " counter(pages) ""' in style
    assert "size: A4 landscape" in style
    assert 'content: ""' in style  # no chain, no words


def test_a_head_is_shown_by_its_number_and_how_its_hash_begins() -> None:
    assert short_head(f"12:{'ab' * 32}") == f"12:{'ab' * 8}"
    assert short_head("") == ""


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""

    def luminance(colour: str) -> float:
        parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_words_stand_out_in_the_light_and_in_the_dark() -> None:
    light, _, rest = look().partition("@media screen and (prefers-color-scheme: dark)")
    for css in (light, rest.partition("* {")[0]):
        colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", css))
        for words in ("ink", "soft", "mark", "alarm"):
            for ground in ("ground", "faint"):
                assert contrast(colours[words], colours[ground]) >= 4.5, (words, ground)
