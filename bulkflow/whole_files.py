"""Writing a file whole or not at all: text or bytes, for every layer that writes one."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, TextIO

from bulkflow.errors import Fault, InputError

__all__ = ["bytes_written_whole", "file_stem", "written_whole"]

USUAL_RIGHTS = 0o666  # less what the user's mask takes away


@contextmanager
def written_whole(file: Path, *, rights: int = USUAL_RIGHTS) -> Iterator[TextIO]:
    """Give a stream whose text (UTF-8) replaces `file` only when the block ends well.

    Parameters
    ----------
    rights : of the file, less what the user's mask takes away.

    Raises
    ------
    InputError
        If the file cannot be written there.
    """
    with (
        _replacing(file, rights) as handle,
        os.fdopen(handle, "w", encoding="utf-8", newline="\n", closefd=False) as stream,
    ):
        yield stream


@contextmanager
def bytes_written_whole(file: Path) -> Iterator[BinaryIO]:
    """Give a stream whose bytes replace `file` only when the block ends well.

    Raises
    ------
    InputError
        If the file cannot be written there.
    """
    with (
        _replacing(file, USUAL_RIGHTS) as handle,
        os.fdopen(handle, "wb", closefd=False) as stream,
    ):
        yield stream


@contextmanager
def _replacing(file: Path, rights: int) -> Iterator[int]:
    """Give a handle on a new file beside `file`, and put it in its place once it is on the disk."""
    part = file.with_name(f".{file.name}.{secrets.token_hex(8)}")
    try:
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, rights)
        try:
            yield handle
            os.fsync(handle)
        finally:
            os.close(handle)
        part.replace(file)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        mend = "Check that the folder exists and may be written to."
        raise InputError(Fault(str(file), 0, "", f"cannot be written ({reason})", mend)) from error
    finally:
        part.unlink(missing_ok=True)


def file_stem(name: str) -> str:
    """Return a name as it may stand in a file's name: no marks that lead elsewhere."""
    return "".join(c if c.isalnum() or c in "-_" else "-" for c in name)
