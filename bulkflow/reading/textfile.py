"""Bytes of a file a user gave, as text: size, encoding and control characters.

UTF-8 (with or without its mark) and UTF-16 with its mark are read; every other encoding is
refused, since guessing one would silently change names.
"""

from __future__ import annotations

import codecs
import re
import stat
from pathlib import Path

from bulkflow.errors import Fault, InputError

__all__ = ["MAXIMUM_TABLE_BYTES", "MAXIMUM_TEXT_BYTES", "decoded", "read_bytes", "read_text"]

MAXIMUM_TEXT_BYTES = 4_000_000
MAXIMUM_TABLE_BYTES = 50_000_000

_UTF32_MARKS = (codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE)
_UTF16_MARKS = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufffe\uffff]")
_SAVE_AS_UTF8 = "Save it as UTF-8 (a spreadsheet offers 'CSV UTF-8')."


def read_bytes(path: Path, name: str, maximum_bytes: int) -> bytes:
    """Return a file's bytes, refusing what is no file or too large.

    Raises
    ------
    InputError
        If the file is missing, not a plain file, unreadable or larger than ``maximum_bytes``.
    """
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            raise InputError(Fault(name, 0, "", "is not a plain file", "Put a file there."))
        if status.st_size > maximum_bytes:
            found = f"has {status.st_size:,} bytes"
            mend = f"At most {maximum_bytes:,} are read; take out what is not needed."
            raise InputError(Fault(name, 0, "", found, mend))
        return path.read_bytes()
    except (FileNotFoundError, NotADirectoryError) as error:
        mend = "Create it, or correct its name."
        raise InputError(Fault(name, 0, "", "does not exist", mend)) from error
    except OSError as error:
        found = f"cannot be read ({error.strerror})"
        mend = "Check who may read it, and that no other program has locked it."
        raise InputError(Fault(name, 0, "", found, mend)) from error


def read_text(path: Path, name: str, maximum_bytes: int = MAXIMUM_TEXT_BYTES) -> str:
    """Return a file's text, its byte order mark taken off.

    Raises
    ------
    InputError
        As :func:`read_bytes` and :func:`decoded`.
    """
    return decoded(read_bytes(path, name, maximum_bytes), name)


def decoded(data: bytes, name: str) -> str:
    """Return the text that some bytes hold, its byte order mark taken off.

    Raises
    ------
    InputError
        For another encoding, and for control characters.
    """
    text = _decoded(data, name)
    if control := _CONTROL.search(text):
        line = text.count("\n", 0, control.start()) + 1
        found = f"holds the control character U+{ord(control[0]):04X}"
        raise InputError(Fault(name, line, "", found, "Take it out; it belongs in no text."))
    return text


def _decoded(data: bytes, name: str) -> str:
    if data.startswith(_UTF32_MARKS):
        raise InputError(Fault(name, 0, "", "is encoded as UTF-32", _SAVE_AS_UTF8))
    if data.startswith(_UTF16_MARKS):
        try:
            return data.decode("utf-16")
        except UnicodeDecodeError as error:
            found = f"is UTF-16 by its mark, but broken at byte {error.start}"
            raise InputError(Fault(name, 0, "", found, _SAVE_AS_UTF8)) from error
    if data.startswith(b"PK\x03\x04"):
        mend = "Give a workbook the ending .xlsx, or save the sheet as CSV UTF-8."
        raise InputError(Fault(name, 0, "", "is a packed file, as a workbook is", mend))
    if b"\x00" in data[:1000]:
        found = "holds zero bytes, as UTF-16 without its mark or a binary file does"
        raise InputError(Fault(name, 0, "", found, _SAVE_AS_UTF8))
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found = f"is not UTF-8 (byte 0x{data[error.start]:02X})"
        raise InputError(Fault(name, line, "", found, _SAVE_AS_UTF8)) from error
