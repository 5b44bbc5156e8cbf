"""The key of a sitting: what was in which glass, in a file apart from everything else.

Until the sitting is closed the register holds only the key's SHA-256 digest, so the key cannot
be changed unseen, and nobody who reads the register learns what a code stands for. The random
seed is part of the key: drawn with 128 bits, so that the digest gives nothing away (one chosen
by hand, for a rehearsal, can be guessed). Opening the key is always recorded: by the coder to
fill the glasses, early with a reason (which then stands in the evidence for ever), or after the
close.
"""

from __future__ import annotations

import hashlib
import json
import secrets
from dataclasses import asdict, dataclass
from pathlib import Path

from bulkflow.errors import Fault, InputError
from bulkflow.reading.textfile import read_text
from bulkflow.records.canonical import canonical_text
from bulkflow.whole_files import file_stem, written_whole
from panels.serving import Purpose, ServingPlan

__all__ = ["KeyLine", "SittingKey", "draw_seed", "key_path", "read_key", "write_key"]

OWNER_ONLY = 0o600


@dataclass(frozen=True, slots=True, order=True)
class KeyLine:
    """One glass: whose it is, where it stands, its code, and what is in it."""

    assessor: str
    flight: int
    position: int
    code: str
    subject: str
    purpose: Purpose


@dataclass(frozen=True, slots=True)
class SittingKey:
    """The key.

    Attributes
    ----------
    sitting : its name.
    seed : redraws orders and codes.
    lines : sorted by assessor, flight and position.
    """

    sitting: str
    seed: int
    lines: tuple[KeyLine, ...]

    @classmethod
    def of(cls, sitting: str, plan: ServingPlan) -> SittingKey:
        """Join the two halves of a serving plan."""
        contents = {(entry.assessor, entry.code): entry for entry in plan.key}
        lines = []
        for place in plan.servings:
            entry = contents[(place.assessor, place.code)]
            lines.append(
                KeyLine(
                    place.assessor,
                    place.flight,
                    place.position,
                    place.code,
                    entry.subject,
                    entry.purpose,
                )
            )
        return cls(sitting, plan.seed, tuple(sorted(lines)))

    @property
    def digest(self) -> str:
        """SHA-256 of the canonical form."""
        return hashlib.sha256(canonical_text(self._plain()).encode()).hexdigest()

    def _plain(self) -> dict[str, object]:
        return {
            "sitting": self.sitting,
            # as text: the seed is wider than numbers of JSON readers
            "seed": str(self.seed),
            "glasses": [asdict(line) | {"purpose": line.purpose.value} for line in self.lines],
        }


def draw_seed() -> int:
    """Draw a seed nobody can guess."""
    return secrets.randbits(128)


def key_path(folder: Path, sitting: str) -> Path:
    """Return where the key of a sitting lies in a workspace."""
    return folder / "panel" / "keys" / f"{file_stem(sitting)}.json"


def write_key(path: Path, key: SittingKey) -> None:
    """Write the key, readable by its owner only; all of it or nothing.

    Raises
    ------
    InputError : a key is there already, or none can be written.
    """
    if path.exists():
        raise InputError(
            Fault(
                str(path),
                0,
                "",
                "holds a key already",
                "A key is never overwritten; if the sitting was never planned, remove the file.",
            )
        )
    path.parent.mkdir(parents=True, exist_ok=True)
    text = json.dumps(key._plain(), indent=1, ensure_ascii=False) + "\n"
    with written_whole(path, rights=OWNER_ONLY) as stream:
        stream.write(text)


def read_key(path: Path, *, sitting: str, digest: str | None = None) -> SittingKey:
    """Read a key and hold it against the digest in the register.

    Parameters
    ----------
    digest : as registered; None before the sitting is.

    Raises
    ------
    InputError : not there, not a key, of another sitting, or changed since the sitting was
        planned.
    """
    text = read_text(path, path.name)
    try:
        data = json.loads(text)
        key = SittingKey(
            sitting=str(data["sitting"]),
            seed=int(data["seed"]),
            lines=tuple(sorted(_line(glass) for glass in data["glasses"])),
        )
    except (ValueError, KeyError, TypeError) as error:
        raise InputError(
            Fault(path.name, 0, "", "is not the key of a sitting", "Give the file as planned.")
        ) from error
    if key.sitting != sitting:
        raise InputError(
            Fault(
                path.name,
                0,
                "sitting",
                f"is {key.sitting}, not {sitting}",
                "Give the key of this sitting.",
            )
        )
    if digest is not None and key.digest != digest:
        raise InputError(
            Fault(
                path.name,
                0,
                "",
                f"is not the key that {sitting} was planned with",
                "Its digest differs from the register's: restore the file as it was planned.",
            )
        )
    return key


def _line(glass: dict[str, object]) -> KeyLine:
    return KeyLine(
        assessor=str(glass["assessor"]),
        flight=int(str(glass["flight"])),
        position=int(str(glass["position"])),
        code=str(glass["code"]),
        subject=str(glass["subject"]),
        purpose=Purpose(str(glass["purpose"])),
    )
