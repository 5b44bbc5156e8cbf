"""Any number may stand in a workspace: it is refused in words, or findings and program bear it."""

from __future__ import annotations

import random
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from bulkflow.errors import BulkflowError, InputError
from bulkflow.plan.precheck import findings
from bulkflow.program.build import build_program
from bulkflow.scenario.reader import read_workspace
from tests.plan import everything
from tests.plan.by_hand import TWO_SITES

EXTREMES = [0, 0.0, -1.0, 1e-320, 1e-12, 1e-6, 1e-3, 0.5, 1, 2, 7, 31, 99.999, 100.0, 160, 730,
            100_000, 1e6, 1e9, 1e12, 1e13, 1e300, float("inf"), float("nan")]  # fmt: skip
DEMO = TWO_SITES.parent / "vejkalna"

Way = tuple[str | int, ...]


def numbers(node: Any, before: Way = ()) -> Iterator[Way]:
    """Yield where numbers stand in plain data."""
    if isinstance(node, dict | list):
        inside = node.items() if isinstance(node, dict) else enumerate(node)
        for key, value in inside:
            yield from numbers(value, (*before, key))
    elif isinstance(node, int | float) and not isinstance(node, bool):
        yield before


def changed(source: Path, folder: Path, chance: random.Random) -> str:
    """Copy a workspace with a few of its numbers made extreme; say which."""
    shutil.copytree(source, folder)
    plain = yaml.safe_load((source / "scenario.yaml").read_text("utf-8"))
    places, said = list(numbers(plain)), []
    for _ in range(chance.randint(1, 3)):
        *way, last = chance.choice(places)
        node = plain
        for key in way:
            node = node[key]
        node[last] = chance.choice(EXTREMES)
        said.append(f"{way}[{last}] = {node[last]}")
    (folder / "scenario.yaml").write_text(yaml.safe_dump(plain, sort_keys=False), "utf-8")
    return f"{source.name}: {'; '.join(said)}"


def bear(source: Path, tmp_path: Path, seeds: range) -> int:
    """Return how many changed workspaces were read; anything but a stated refusal fails."""
    read = 0
    for seed in seeds:
        folder = tmp_path / f"{source.name}-{seed}"
        what = changed(source, folder, random.Random(seed))
        try:
            scenario = read_workspace(folder).scenario
            read += 1
            findings(scenario)
            build_program(scenario)
        except BulkflowError:
            pass  # refused in words
        except Exception as error:
            raise AssertionError(f"seed {seed}, {what}: {error!r}") from error
        finally:
            shutil.rmtree(folder)
    return read


@pytest.mark.full
@pytest.mark.parametrize("source", [TWO_SITES, everything.FOLDER], ids=lambda path: path.name)
def test_extreme_numbers_are_refused_or_borne(source: Path, tmp_path: Path):
    assert bear(source, tmp_path, range(60)) > 5


@pytest.mark.full
@pytest.mark.parametrize("source", [TWO_SITES, everything.FOLDER, DEMO], ids=lambda path: path.name)
def test_many_extreme_numbers_are_refused_or_borne(source: Path, tmp_path: Path):
    assert bear(source, tmp_path, range(1000, 1150)) > 20


def test_an_hour_below_a_millionth_is_a_slip(tmp_path: Path):
    folder = tmp_path / "w"
    shutil.copytree(TWO_SITES, folder)
    file = folder / "scenario.yaml"
    text = file.read_text("utf-8")
    file.write_text(text.replace("hours_per_charge: 20.0", "hours_per_charge: 1.0e-320"), "utf-8")
    with pytest.raises(InputError, match=r"hours_per_charge is 9.9.*e-321. It is 1e-06 or more"):
        read_workspace(folder)
