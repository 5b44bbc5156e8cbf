"""Whatever stands in the files, the reader answers with a scenario or with faults."""

import random
import shutil
import tempfile
from pathlib import Path

import pytest

from bulkflow.errors import InputError
from bulkflow.scenario import read_workspace
from tests.scenario.broken import COAST

NAMES = sorted(path.name for path in COAST.iterdir())
PIECES = [
    "",
    " ",
    ":",
    "- ",
    "[",
    "]",
    "{",
    "}",
    "'",
    '"',
    ",",
    ";",
    "\n",
    "\t",
    "#",
    "&a ",
    "*a",
    "!!x ",
    "|",
    ">",
    "?",
    "null",
    "true",
    "-1",
    "0",
    "1e400",
    ".nan",
    ".inf",
    "9" * 400,
    "=1+1",
    "2027-13-01",
    "0001-01-01",
    "9999-12-31",
    "DRY",
    "GRAIN",
    "KROGA",
    "QUAY",
    "\u2028",
    "\ufeff",
    "\x00",
    "ß",
    "<b>",
    "../x",
]


def mutated(text: str, chance: random.Random) -> str:
    for _ in range(chance.randint(1, 4)):
        if chance.random() < 0.5:
            lines = text.split("\n")
            here = chance.randrange(len(lines))
            act = chance.choice(["drop", "repeat", "swap", "indent"])
            if act == "drop":
                del lines[here]
            elif act == "repeat":
                lines.insert(here, lines[here])
            elif act == "swap":
                there = chance.randrange(len(lines))
                lines[here], lines[there] = lines[there], lines[here]
            else:
                lines[here] = "  " + lines[here]
            text = "\n".join(lines) or "x"
        else:
            start = chance.randrange(len(text) + 1)
            end = min(len(text), start + chance.choice([0, 0, 1, 5, 12]))
            text = text[:start] + chance.choice(PIECES) + text[end:]
    return text


def answers(seed: int, tries: int) -> tuple[int, int]:
    chance = random.Random(seed)
    read = refused = 0
    with tempfile.TemporaryDirectory() as folder:
        for number in range(tries):
            workspace = Path(folder) / str(number)
            shutil.copytree(COAST, workspace)
            for name in chance.sample(NAMES, chance.choice([1, 1, 2])):
                path = workspace / name
                data = mutated(path.read_text("utf-8"), chance).encode("utf-8")
                if chance.random() < 0.05:
                    data = bytes(chance.randrange(256) for _ in range(200))
                path.write_bytes(data)
            try:
                read_workspace(workspace)
                read += 1
            except InputError as error:
                assert all(fault.found and fault.mend for fault in error.faults)
                refused += 1
            shutil.rmtree(workspace)
    return read, refused


@pytest.mark.full
def test_a_hundred_slips() -> None:
    read, refused = answers(seed=20270104, tries=100)
    assert read + refused == 100
    assert refused > 30


@pytest.mark.full
@pytest.mark.parametrize("seed", range(8))
def test_many_slips(seed: int) -> None:
    read, refused = answers(seed, tries=1000)
    assert read > 50
    assert refused > 500
