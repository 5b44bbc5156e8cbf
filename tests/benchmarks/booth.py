"""How quickly a booth takes answers, and that none is lost or doubled when it is killed.

Run by hand::

    python -m tests.benchmarks.booth --people 40 --glasses 8 --json
    python -m tests.benchmarks.booth --people 60 --glasses 42 --sittings 8 --kills 10 --json

makes a workspace in a temporary folder (SQLite, or ``--database URL`` for a server's empty
schema) with so many sittings of one lot each, and serves it by the real command in a process of
its own. Everybody of a sitting asks for their glass at the same moment, and when all have it, all
answer at the same moment. Told are the median, the 95th percentile and the worst of asking and of
answering, in milliseconds on the clock, how many answers a second, and what one took of the
server's processor with its page (other work on the machine disturbs that less). With ``--kills``
the server is killed that often, and started again at once; whoever has no acknowledgement sends
the same form again. In the end every answer acknowledged must stand in the register once, with
the score that was sent first.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import random
import re
import secrets
import shutil
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from bulkflow.cli.shell import run
from bulkflow.lots.acts import record_lots
from bulkflow.lots.register import open_register
from bulkflow.records import Actor, append, append_many, settings_for
from bulkflow.web.sessions import digest_of
from panels.cli import build_app
from panels.records import ADMISSION, PANELS, POURING, SHEET, Admission, Pouring, bodies_about
from panels.sittings.definition import DefinedLot, SittingDefinition
from panels.sittings.keys import SittingKey, key_path
from panels.sittings.planning import plan_sitting, register_sitting
from tests.panels.filled_sheets import made_lot

DEMO = Path(__file__).resolve().parents[2] / "scenarios" / "vejkalna"
LOTS = "VK-DRY-9"
PANEL = Path(sys.executable).parent / "panels"


@dataclass
class Person:
    """One assessor's browser."""

    sitting: str
    name: str
    token: str
    sent: dict[str, str] = field(default_factory=dict)
    ready: str = ""


@dataclass
class Served:
    """The command, serving, and started again whenever it is killed."""

    folder: Path
    database: str | None
    port: int
    kills: int = 0
    running: subprocess.Popen[str] | None = None

    @property
    def home(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        words = ["booth", str(self.folder), "--port", str(self.port), "--pause", "0", "--rehearsal"]
        words += ["--database", self.database] if self.database else []
        self.running = subprocess.Popen(
            [str(PANEL), *words], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        assert self.running.stdout is not None
        line = self.running.stdout.readline()
        assert "Assessors" in line, line

    def stop(self, how: signal.Signals = signal.SIGINT) -> None:
        assert self.running is not None
        self.running.send_signal(how)
        self.running.wait(30)
        if self.running.stdout is not None:
            self.running.stdout.close()


def prepared(
    folder: Path, database: str | None, people: int, glasses: int, sittings: int
) -> list[Person]:
    """Make a workspace with sittings whose assessors are seated and whose glasses are poured."""
    ignored = shutil.ignore_patterns("*.sqlite*", "out", "keys", "sittings", "assessors.yaml")
    shutil.copytree(DEMO, folder, ignore=ignored)
    at = ["--database", database] if database else []
    for words in (["standard", "record", str(folder), str(folder / "panel/standards.yaml")],
                  ["rule", "declare", str(folder)]):  # fmt: skip
        assert run(build_app(), [*words, *at], name="panels") == 0
    seated, key = [], None
    with open_register(settings_for(folder, database), PANELS) as store:
        for number in range(sittings):
            name, lot = f"B-{number}", f"{LOTS}{number:03d}"
            with store.write(Actor.current("Ilze Ozola")) as session:
                record_lots(session, [made_lot(lot)])
                definition = SittingDefinition(
                    sitting=name, held_on=datetime.now(UTC).date(), zone="Europe/Riga", room="room",
                    leader="Ilze Ozola", coder="Juris Kalns", water="W-1", earliest_minutes=0,
                    assessors=tuple(f"P{n}" for n in range(1, people + 1)), max_servings=45,
                    lots=(DefinedLot(lot=lot, liquid="VK-DRY", strength=80.0),),
                    repeats=_repeats(lot, glasses),
                )  # fmt: skip
                if key is None:  # orders for many people take long to balance: once is enough here
                    planned = plan_sitting(session, definition, seed=number)
                else:
                    planned = plan_sitting(session, definition, key=_as_at(key, name, lot))
                key = planned.key
                register_sitting(session, planned, key_file=key_path(folder, name))
                flights = {place.flight for place in planned.sitting.places}
                for flight in flights:
                    append(session, POURING, Pouring(sitting=name, flight=flight))
                own = [Person(name, who, secrets.token_urlsafe(32)) for who in definition.assessors]
                append_many(session, ADMISSION, [(_admission(one), None) for one in own])
                seated += own
    return seated


def _as_at(key: SittingKey, name: str, lot: str) -> SittingKey:
    """Return the key of another sitting, as that of this one and its lot."""
    lines = tuple(
        replace(one, subject=lot) if one.subject.startswith(LOTS) else one for one in key.lines
    )
    return replace(key, sitting=name, lines=lines)


def _repeats(lot: str, glasses: int) -> tuple[dict[str, object], ...]:
    """Return blind repeats so that there are so many glasses, with lot and control."""
    return tuple({"lot": lot, "flight": 1} for _ in range(max(0, glasses - 2)))


def _admission(one: Person) -> Admission:
    return Admission(
        sitting=one.sitting,
        assessor=one.name,
        code_digest=digest_of(one.name + one.sitting),
        session_digest=digest_of(one.token),
    )


@dataclass
class Line:
    """A kept connection, with no more work to it than HTTP needs: the server is what is timed."""

    port: int
    token: str
    streams: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None

    async def ask(self, words: str, body: str = "") -> tuple[int, str]:
        """Send a request until a server answers it: it may be killed, or be starting."""
        request = (
            f"{words} HTTP/1.1\r\nHost: 127.0.0.1:{self.port}\r\nCookie: seat={self.token}\r\n"
            "Content-Type: application/x-www-form-urlencoded\r\n"
            f"Content-Length: {len(body)}\r\n\r\n{body}"
        )
        while True:
            try:
                status, answer = await self._asked(request.encode())
                if status < 500:
                    return status, answer
            except (OSError, EOFError, ValueError):
                self.close()
            await asyncio.sleep(0.05)

    def close(self) -> None:
        if self.streams is not None:
            self.streams[1].close()
            self.streams = None

    async def _asked(self, request: bytes) -> tuple[int, str]:
        if self.streams is None:
            self.streams = await asyncio.open_connection("127.0.0.1", self.port)
        reader, writer = self.streams
        writer.write(request)
        head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1")
        length = re.search(r"content-length: (\d+)", head)
        body = await reader.readexactly(int(length[1])) if length else b""
        return int(head.split(" ", 2)[1]), body.decode()


async def _glass(
    line: Line, one: Person, rng: random.Random, times: dict[str, list[float]]
) -> bool:
    """Answer the glass in turn; False where there is none left."""
    begun = time.perf_counter()
    _, page = await line.ask("GET /")
    times["ask"].append(time.perf_counter() - begun)
    codes = re.search(r'name="codes" value="(\d{3})"', page)
    form = re.search(r'name="form" value="([^"]+)"', page)
    if codes is None or form is None:
        assert "last one" in page, page
        return False
    one.sent.setdefault(codes[1], f"{rng.randrange(0, 21) / 2:g}")
    data = {"form": form[1], "codes": codes[1], "step": "confirm", "score": one.sent[codes[1]]}
    one.ready = urlencode(data)
    return True


async def _answered(line: Line, one: Person, times: dict[str, list[float]]) -> None:
    begun = time.perf_counter()
    status, page = await line.ask("POST /answer", one.ready)
    times["answer"].append(time.perf_counter() - begun)
    assert status == 303, page


async def _nosed(served: Served, people: list[Person], times: dict[str, list[float]]) -> None:
    """Let everybody nose in step: all ask, then all answer."""
    rng = random.Random(1)
    lines = [Line(served.port, one.token) for one in people]
    pairs = list(zip(lines, people, strict=True))
    await asyncio.gather(*(line.ask("GET /turn") for line in lines))
    while any(await asyncio.gather(*(_glass(*pair, rng, times) for pair in pairs))):
        await asyncio.gather(*(_answered(*pair, times) for pair in pairs))
    for line in lines:
        line.close()


async def _killing(served: Served, kills: int, apart: float) -> None:
    rng = random.Random(2)
    for _ in range(kills):
        await asyncio.sleep(apart * (0.5 + rng.random()))
        await asyncio.to_thread(served.stop, signal.SIGKILL)
        served.kills += 1
        await asyncio.to_thread(served.start)


async def _all(
    served: Served, people: list[Person], kills: int, apart: float, times: dict[str, list[float]]
) -> float:
    killing = asyncio.create_task(_killing(served, kills, apart))
    begun = time.perf_counter()
    for name in dict.fromkeys(one.sitting for one in people):
        await _nosed(served, [one for one in people if one.sitting == name], times)
    took = time.perf_counter() - begun
    await killing
    return took


def _processor_seconds(served: Served) -> float | None:
    """Return what the server used of the processor so far; None where the system does not say."""
    stat = Path("/proc") / str(served.running.pid if served.running else 0) / "stat"
    if not stat.exists():
        return None
    words = stat.read_text("ascii").rpartition(")")[2].split()
    return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")


def lost_or_doubled(folder: Path, database: str | None, people: list[Person]) -> list[str]:
    """Return what the register holds otherwise than it was sent and acknowledged."""
    wrong = []
    with open_register(settings_for(folder, database), PANELS) as store, store.read() as session:
        for name in dict.fromkeys(one.sitting for one in people):
            kept = Counter[tuple[str, str, str]]()
            for _, sheet in bodies_about(session, SHEET, name):
                for glass in sheet.glasses:
                    kept[sheet.assessor, glass.code, f"{glass.score:g}"] += 1
            sent = Counter(
                (one.name, code, score)
                for one in people
                if one.sitting == name
                for code, score in one.sent.items()
            )
            wrong += [f"{name} {what}" for what in ((kept - sent) + (sent - kept))]
    return wrong


def measured(
    *, people: int, glasses: int, sittings: int = 1, kills: int = 0, apart: float = 3.0,
    database: str | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Serve sittings and return the figures."""
    with tempfile.TemporaryDirectory(prefix="booth-") as place:
        folder = Path(place) / "vejkalna"
        seated = prepared(folder, database, people, glasses, sittings)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        served = Served(folder, database, port)
        served.start()
        times: dict[str, list[float]] = {"ask": [], "answer": []}
        before = _processor_seconds(served)
        try:
            took = asyncio.run(_all(served, seated, kills, apart, times))
            after = _processor_seconds(served)
        finally:
            served.stop()
        answers = sum(len(one.sent) for one in seated)
        return {
            "people": people,
            "answers": answers,
            "answers_per_second": round(answers / took, 1),
            "processor_ms_per_answer": None
            if before is None or after is None or kills
            else round(1000.0 * (after - before) / answers, 2),
            "kills": served.kills,
            "lost_or_doubled": lost_or_doubled(folder, database, seated),
            **{f"{what}_ms": _told(found) for what, found in times.items()},
        }


def _told(found: list[float]) -> dict[str, float]:
    ordered = sorted(1000.0 * one for one in found)
    return {
        "median": round(statistics.median(ordered), 1),
        "p95": round(ordered[int(0.95 * len(ordered))], 1),
        "worst": round(ordered[-1], 1),
    }


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.booth", description=__doc__)
    parser.add_argument("--people", type=int, default=40)
    parser.add_argument("--glasses", type=int, default=8, help="of one assessor at a sitting")
    parser.add_argument("--sittings", type=int, default=1)
    parser.add_argument("--kills", type=int, default=0)
    parser.add_argument("--apart", type=float, default=3.0, help="seconds between kills, about")
    parser.add_argument("--database")
    parser.add_argument("--json", action="store_true")
    arguments = parser.parse_args(argv)
    found = measured(
        people=arguments.people, glasses=arguments.glasses, sittings=arguments.sittings,
        kills=arguments.kills, apart=arguments.apart, database=arguments.database,
    )  # fmt: skip
    print(json.dumps(found, indent=2) if arguments.json else found)
    return 1 if found["lost_or_doubled"] else 0


if __name__ == "__main__":
    sys.exit(main())
