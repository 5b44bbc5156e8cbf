"""Writing a file whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

from bulkflow.errors import Fault, InputError

__all__ = ["written_whole"]


@contextmanager
def written_whole(file: Path) -> Iterator[TextIO]:
    """Give a stream whose text replaces `file` only when the block ends well.

    Raises
    ------
    InputError
        If the file cannot be written there.
    """
    try:
        handle, name = tempfile.mkstemp(dir=file.parent, prefix=f".{file.name}.")
    except OSError as error:
        raise _cannot(file, error) from error
    part = Path(name)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        # mkstemp makes a file for its owner alone; give it the usual rights.
        part.chmod(0o666 & ~_umask())
        part.replace(file)
    except OSError as error:
        raise _cannot(file, error) from error
    finally:
        part.unlink(missing_ok=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _cannot(file: Path, error: OSError) -> InputError:
    reason = error.strerror or type(error).__name__
    mend = "Check that the folder exists and may be written to."
    return InputError(Fault(file.name, 0, "", f"cannot be written ({reason})", mend))
