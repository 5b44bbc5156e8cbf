"""Run README's first command, exactly as printed, in fresh clones, and compare the plans.

``python -m tests.readme_runs`` runs it twice, each time in a clone of its own with an empty
virtual environment: once on the machine as it is, once beside four busy processes.
``--idle 5 --busy 5`` makes it ten runs. Every plan must be the same: all amounts, dates, prices,
cost and bound, but for the last digit of sums; times, the register's place and its chain (which
holds times) may differ.

Ends with 0 where every run ended with 0, all plans are the same, and the cheapest plan is proved
to cost at most one per cent less; prints what is amiss else.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.readme_commands import named

ROOT = Path(__file__).resolve().parent.parent
FREE = frozenset({("chain_head",), ("register",), ("proof", "seconds")})
"""What may differ between two runs of the same plan, by its path in plan.json."""
LAST_DIGIT, NOTHING = 1e-13, 1e-9
"""Figures that differ by less are the same: how a sum of products is added up depends on where its
numbers lie in memory, and its last digit with it."""
MOST_GAP = 0.01  # of the demo's plan, proved; it is about 0.006
LONGEST_SECONDS = 1800  # of one run, set-up included
MOST_SHOWN = 20  # differences of two plans
FILES = ("plan.json", "loads.csv", "report.html", "plan.xlsx")  # what README says is written


@dataclass(frozen=True, slots=True)
class Run:
    """How one run ended: its plan.json, {} where there is none, and which files are lacking."""

    name: str
    code: int
    seconds: float
    processor_seconds: float
    plan: Mapping[str, Any]
    lacking: tuple[str, ...]
    said: str

    def __str__(self) -> str:
        """Return the run in a line."""
        proof = self.plan.get("proof", {})
        figures = (
            f"cost {proof['cost']!r}, bound {proof['bound']!r}, gap {proof['gap']:.4%},"
            f" {len(self.plan['loads'])} loads"
            if proof
            else "no plan"
        )
        return (
            f"{self.name}: exit {self.code} after {self.seconds:.0f} s"
            f" ({self.processor_seconds:.0f} s of processor time, set-up included); {figures}"
        )


def one_run(name: str, source: Path, clone: Path, commit: str = "HEAD") -> Run:
    """Clone the repository to a new folder, as it was at a commit, and run the command there."""
    subprocess.run(["git", "clone", "-q", str(source), str(clone)], check=True)
    subprocess.run(["git", "-C", str(clone), "checkout", "-q", "--detach", commit], check=True)
    others = ("VIRTUAL_ENV", "PYTHONPATH")
    begun, used = time.monotonic(), _processor_seconds()
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", named("plan")],
        cwd=clone,
        env={key: value for key, value in os.environ.items() if key not in others},
        capture_output=True,
        text=True,
        check=False,
        timeout=LONGEST_SECONDS,
    )
    out = clone / "out"
    file = out / "plan.json"
    return Run(
        name,
        done.returncode,
        time.monotonic() - begun,
        _processor_seconds() - used,
        json.loads(file.read_text("utf-8")) if file.exists() else {},
        tuple(one for one in FILES if not (out / one).exists() or not (out / one).stat().st_size),
        f"{done.stdout}\n{done.stderr}",
    )


def _processor_seconds() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


@contextmanager
def busy(processes: int) -> Iterator[None]:
    """Keep some processes busy meanwhile."""
    with ExitStack() as stack:
        for _ in range(processes):
            one = subprocess.Popen([sys.executable, "-c", "while True: pass"])
            stack.callback(one.wait)
            stack.callback(one.kill)
        yield


def differences(before: object, after: object, path: tuple[str, ...] = ()) -> Iterator[str]:
    """Yield every place in which two documents differ, but for what may.

    Examples
    --------
    >>> list(differences({"loads": [1, 2], "register": "a"}, {"loads": [1, 3], "register": "b"}))
    ['loads[1]: 2, then 3']
    """
    if path in FREE or before == after or _alike(before, after):
        return
    if isinstance(before, dict) and isinstance(after, dict):
        for key in dict.fromkeys((*before, *after)):
            yield from differences(before.get(key), after.get(key), (*path, key))
    elif isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        *front, last = path or ("",)
        for number, (one, other) in enumerate(zip(before, after, strict=True)):
            yield from differences(one, other, (*front, f"{last}[{number}]"))
    elif isinstance(before, list) and isinstance(after, list):
        yield f"{'.'.join(path)}: {len(before)} rows, then {len(after)}"
    else:
        yield f"{'.'.join(path)}: {before!r}, then {after!r}"


def _alike(before: object, after: object) -> bool:
    """Tell whether two figures are the same but for the last digit of a sum."""
    if not (isinstance(before, float) and isinstance(after, float)):
        return False
    return math.isclose(before, after, rel_tol=LAST_DIGIT, abs_tol=NOTHING)


def main(argv: list[str] | None = None) -> int:
    """Run, compare, tell."""
    parser = argparse.ArgumentParser(prog="python -m tests.readme_runs", description=__doc__)
    parser.add_argument("--idle", type=int, default=1, help="runs on the machine as it is")
    parser.add_argument("--busy", type=int, default=1, help="runs beside busy processes")
    parser.add_argument("--processes", type=int, default=4, help="busy processes")
    parser.add_argument("--source", type=Path, default=ROOT, help="the repository to clone")
    arguments = parser.parse_args(argv)
    # All runs are of one commit, whatever is committed meanwhile.
    found = subprocess.run(
        ["git", "-C", str(arguments.source), "rev-parse", "HEAD"],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    commit = found.stdout.strip()
    print(f"+ {named('plan')}  ({commit[:12]})", flush=True)
    failed, first = False, None
    for number in range(arguments.idle + arguments.busy):
        beside = arguments.processes if number >= arguments.idle else 0
        name = f"run {number + 1} ({f'beside {beside} busy processes' if beside else 'idle'})"
        with busy(beside), tempfile.TemporaryDirectory(prefix="readme-") as place:
            done = one_run(name, arguments.source, Path(place) / "clone", commit)
        print(done, flush=True)
        if done.code != 0 or done.lacking:
            failed = True
            print(f"  lacking: {', '.join(done.lacking) or 'nothing'}\n{done.said}")
        gap = done.plan.get("proof", {}).get("gap", math.inf)
        if not gap <= MOST_GAP:
            failed = True
            print(f"  the gap is {gap:.2%}, more than {MOST_GAP:.0%}")
        first = first or (done if done.plan else None)
        if first is None or first is done:
            continue
        unlike = list(differences(dict(first.plan), dict(done.plan)))
        if unlike:
            failed = True
            print(f"  not the plan of {first.name}; {len(unlike)} places differ:")
            for line in unlike[:MOST_SHOWN]:
                print(f"    {line}")
    print("README's first command: " + ("FAILED" if failed else "the same plan every time"))
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
