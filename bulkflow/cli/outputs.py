"""``--out``: where a command writes files, and what each is, by its ending."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated

import typer

from bulkflow.errors import Fault, InputError
from bulkflow.wording import listed

__all__ = ["PictureOption", "by_ending", "folder_made"]

PictureOption = Annotated[
    Path | None,
    typer.Option("--out", metavar="FILE", help="Draw it to this .svg, .png or .pdf file."),
]


def by_ending(out: Sequence[Path] | None, forms: Mapping[str, str]) -> dict[str, Path]:
    """Return the files that a command writes, by their ending.

    Parameters
    ----------
    out : files named.
    forms : what the command writes, by the ending of its file, such as ``.html``.

    Raises
    ------
    InputError : an ending that the command does not write, or the same ending twice.
    """
    found: dict[str, Path] = {}
    faults = []
    for file in out or ():
        ending = file.suffix.lower()
        if ending not in forms:
            ways = listed([f"{what}: {one}" for one, what in forms.items()])
            faults.append(
                Fault("", 0, "--out", f"is {file.name}", f"Its ending says what it is ({ways}).")
            )
        elif ending in found:
            words = f"names {found[ending]} and {file}"
            faults.append(Fault("", 0, "--out", words, f"Give one file ending in {ending}."))
        else:
            found[ending] = file
    if faults:
        raise InputError(faults)
    return found


def folder_made(out: Path) -> Path:
    """Return the folder to write into, made where it was not there.

    Raises
    ------
    InputError : it cannot be made.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        found = f"{out} cannot be a folder ({error.strerror})"
        raise InputError(Fault("", 0, "--out", found, "Give another.")) from error
    return out
