"""A file is written whole or not at all, as text and as bytes."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest

from bulkflow.errors import InputError
from bulkflow.whole_files import bytes_written_whole, written_whole

ROOT = Path(__file__).resolve().parents[1]
WAYS = ((written_whole, "gin ž\n"), (bytes_written_whole, b"\x00gin\r\n"))

Way = Callable[[Path], AbstractContextManager[Any]]


@pytest.fixture(params=WAYS, ids=["text", "bytes"])
def way(request: pytest.FixtureRequest) -> tuple[Way, Any]:
    return request.param


def test_what_is_written_is_there_with_the_usual_rights(tmp_path: Path, way) -> None:
    write, content = way
    file = tmp_path / "out.dat"
    before = os.umask(0o027)
    try:
        with write(file) as stream:
            stream.write(content)
            assert not file.exists()  # nothing to see until it is whole
    finally:
        os.umask(before)
    told = content if isinstance(content, bytes) else content.encode("utf-8")
    assert file.read_bytes() == told
    assert file.stat().st_mode & 0o777 == 0o640
    assert list(tmp_path.iterdir()) == [file]


def test_a_block_that_fails_leaves_the_earlier_file_and_nothing_else(tmp_path: Path, way) -> None:
    write, content = way
    file = tmp_path / "out.dat"
    file.write_text("earlier")

    def half() -> None:
        with write(file) as stream:
            stream.write(content)
            raise RuntimeError("half way")

    with pytest.raises(RuntimeError, match="half way"):
        half()
    assert file.read_text() == "earlier"
    assert list(tmp_path.iterdir()) == [file]


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path, way) -> None:
    write, _ = way
    file = tmp_path / "none" / "out.dat"
    with pytest.raises(InputError) as caught, write(file):
        pass
    assert str(caught.value) == (
        f"{file}: cannot be written (No such file or directory)."
        " Check that the folder exists and may be written to."
    )


def test_a_folder_in_the_place_of_the_file_is_told_and_kept(tmp_path: Path, way) -> None:
    write, content = way
    (tmp_path / "out.dat").mkdir()
    with pytest.raises(InputError, match=r"cannot be written \(Is a directory\)"):  # noqa: SIM117
        with write(tmp_path / "out.dat") as stream:
            stream.write(content)
    assert [one.name for one in tmp_path.iterdir()] == ["out.dat"]


def test_a_secret_is_for_its_owner_from_the_first_byte(tmp_path: Path) -> None:
    with written_whole(tmp_path / "key.json", rights=0o600) as stream:
        stream.write("secret")
        (part,) = tmp_path.iterdir()
        assert part.stat().st_mode & 0o777 == 0o600
    assert (tmp_path / "key.json").stat().st_mode & 0o777 == 0o600


def test_nobody_else_writes_beside_a_file_and_moves_it() -> None:
    own = [
        str(path.relative_to(ROOT))
        for package in ("bulkflow", "panels")
        for path in sorted((ROOT / package).rglob("*.py"))
        if '.part"' in path.read_text("utf-8") or "mkstemp" in path.read_text("utf-8")
    ]
    assert own == []
