"""Another simulation of a release rule, written from its words and sharing no code with ours.

One lot at a time, with the generator of the standard library, likelihoods maximised numerically
and Satterthwaite's degrees of freedom from a numerical Hessian. Slow, and meant to be: it shows
whether the operating characteristic says what the declared procedure does.
"""

from __future__ import annotations

import itertools
import math
import random
from collections import Counter
from typing import Any

import numpy as np
from scipy import optimize, stats

LOT, CONTROL = "lot", "control"


class Lot:
    """One lot, the people who nose it, and what becomes of it."""

    def __init__(self, rule: dict[str, Any], quality: float, share: float, rng: random.Random):
        self.rule, self.panel, self.rng = rule, rule["assumptions"], rng
        self.quality, self.share = quality, share
        people = range(self.panel["assessors"])
        self.level = [rng.gauss(0, self.panel["assessor_sd"]) for _ in people]
        self.can = [rng.random() < share for _ in people]
        self.taste = {
            (a, s): rng.gauss(0, self.panel["interaction_sd"])
            for a in people
            for s in (LOT, CONTROL)
        }
        self.sittings = self.tests = 0

    def fate(self) -> str:
        """Nose, test and nose again as the rule says."""
        rule, valid, void = self.rule, [], 0
        times: Counter[int] = Counter()
        open_notes: set[int] = set()
        while True:
            self.sittings += 1
            table, named = self.sitting()
            if not self.counts(table, named):
                void += 1
                if void > rule["validity"]["most_void"]:
                    return "hold"
                continue
            valid.append(table)
            code = self.judged(valid)
            if code == "reject":
                return "reject"
            open_notes |= {
                note
                for note in range(len(rule["off_note_list"]))
                if sum(n == note for _, n in {(a, n) for a, s, n in named if s == LOT})
                >= rule["off_notes"]["assessors"]
            }
            tested = self.tested(open_notes, times)
            if tested:
                return tested
            if code == "release":
                return "release"
            if len(valid) == len(rule["spending"]):
                return "hold"

    def tested(self, open_notes: set[int], times: Counter[int]) -> str:
        """Test what was named until nothing is open; the fate, if that ends the lot's way."""
        follow = self.rule["off_notes"]["confirmation"]
        while open_notes:
            if any(times[n] >= len(follow["beta_spending"]) for n in open_notes):
                return "hold"
            note = min(open_notes)
            self.tests += 1
            times[note] += 1
            shown = self.confirm(note, follow["beta_spending"][times[note] - 1])
            if shown == "confirmed":
                return "reject"
            if shown == "similar":
                open_notes.remove(note)
        return ""

    def sitting(self) -> tuple[list[tuple[int, str, float]], list[tuple[int, str, int]]]:
        """Scores (assessor, sample, score) and namings (assessor, sample, note) of one sitting."""
        panel, rng, score = self.panel, self.rng, self.rule["score"]
        good = [f"good {n}" for n in range(2, panel["lots"] + 1)]
        tray = [LOT, *[CONTROL] * panel["control_glasses"], *good]
        tray += [good[-1] if good else LOT] * panel["repeats"]
        tray += ["poor"] * panel["check_glasses"]
        true = dict.fromkeys(tray, panel["control_quality"])
        true[LOT] = self.quality
        if "poor" in true:
            true["poor"] -= panel["check_drop"]
        made = {s: rng.gauss(0, panel["replicate_sd"]) for s in sorted(true)}
        day = rng.gauss(0, panel["day_sd"])
        table, named = [], []
        for a in range(panel["assessors"]):
            mood = rng.gauss(0, panel["assessor_sitting_sd"])
            fresh = {s: rng.gauss(0, panel["interaction_sd"]) for s in sorted(true)}
            for s in tray:
                value = true[s] + made[s] + day + mood + self.level[a]
                value += self.taste.get((a, s), fresh[s]) + rng.gauss(0, panel["residual_sd"])
                notices = s == LOT and self.can[a] and rng.random() >= panel["miss_share"]
                value -= panel["noticed_drop"] * notices
                if rng.random() < panel["missing_share"]:
                    continue
                steps = round((value - score["lowest"]) / score["step"])
                value = score["lowest"] + steps * score["step"]
                table.append((a, s, min(max(value, score["lowest"]), score["highest"])))
                named += [
                    (a, s, note)
                    for note in range(len(self.rule["off_note_list"]))
                    if rng.random() < panel["false_alarm_share"] or (notices and note == 0)
                ]
        return table, named

    def counts(
        self, table: list[tuple[int, str, float]], named: list[tuple[int, str, int]]
    ) -> bool:
        """Whether a sitting is valid."""
        validity = self.rule["validity"]
        control = [v for _, s, v in table if s == CONTROL]
        if not control or np.mean(control) < validity["control_minimum"]:
            return False
        on_control = Counter(n for _, n in {(a, n) for a, s, n in named if s == CONTROL})
        if max(on_control.values(), default=0) >= self.rule["off_notes"]["assessors"]:
            return False
        own: dict[int, set[float]] = {}
        glasses: dict[tuple[str, int], list[float]] = {}
        for a, s, v in table:
            own.setdefault(a, set()).add(v)
            glasses.setdefault((s, a), []).append(v)
        if sum(len(values) > 1 for values in own.values()) < 2:
            return False
        if self.panel["repeats"]:
            good = self.panel["lots"]
            again = f"good {good}" if good > 1 else LOT
            gaps = [max(v) - min(v) for (s, _), v in glasses.items() if s == again and len(v) > 1]
            if not gaps or np.mean(gaps) > validity["largest_repeat_difference"]:
                return False
        if self.panel["check_glasses"]:
            drops = [
                np.mean(glasses[(CONTROL, a)]) - np.mean(glasses[("poor", a)])
                for a in own
                if (CONTROL, a) in glasses and ("poor", a) in glasses
            ]
            if len(drops) < 2 or np.mean(drops) <= 0:
                return False
            if np.ptp(drops) > 0:
                found = stats.ttest_1samp(drops, 0.0, alternative="greater").pvalue
                return bool(found < validity["check_level"])
        return True

    def confirm(self, note: int, spent: float) -> str:
        """Sets of three for a note; only note 0 can be there to be noticed."""
        panel, rng = self.panel, self.rng
        follow = self.rule["off_notes"]["confirmation"]
        right = asked = 0
        for person in range(panel["confirmation_assessors"]):
            can = self.can[person] if person < panel["assessors"] else rng.random() < self.share
            for _ in range(panel["confirmation_sets"]):
                asked += 1
                notices = note == 0 and can and rng.random() >= panel["miss_share"]
                right += bool(notices or rng.random() < 1 / 3)
        if asked < follow["fewest_assessments"]:
            return "open"
        if stats.binom.sf(right - 1, asked, 1 / 3) <= follow["alpha"]:
            return "confirmed"
        chance = 1 / 3 + 2 / 3 * follow["share_of_discriminators"]
        most = max(
            (
                x
                for x in range(asked)
                if stats.binom.cdf(x, asked, chance) <= follow["beta"] * spent
            ),
            default=-1,
        )
        once = panel["confirmation_sets"] == 1
        return "similar" if once and most >= asked / 3 and right <= most else "open"

    def judged(self, valid: list[list[tuple[int, str, float]]]) -> str:
        """Judge all valid sittings together; too few assessors in the last hold the lot."""
        rule, look = self.rule, len(valid)
        score = rule["score"]
        noses = {a for a, s, _ in valid[-1] if s == LOT}
        if len(noses) < rule["validity"]["fewest_assessors"]:
            return "hold"
        mean, against = estimates(valid, score["step"])
        level = score["level"] * rule["spending"][look - 1]
        extra = score["replicate_sd"] ** 2 / look
        deciding = []
        if score["decides"] != "difference":
            deciding.append((widened(mean, extra + score["day_sd"] ** 2 / look), score["minimum"]))
        if score["decides"] != "mean":
            deciding.append((widened(against, 2 * extra), -score["largest_drop"]))
        lower = [e - stats.t.ppf(1 - level, f) * se - least for (e, se, f), least in deciding]
        upper = [
            e + stats.t.ppf(1 - level / len(deciding), f) * se - least
            for (e, se, f), least in deciding
        ]
        if min(upper) < 0:
            return "reject"
        own = [
            np.mean([v for _, s, v in one if s == LOT])
            - np.mean([v for _, s, v in one if s == CONTROL])
            for one in valid
        ]
        apart = np.ptp(own) > rule["validity"]["furthest_apart"]
        return "release" if min(lower) > 0 and not apart else "hold"


def widened(found: tuple[float, float, float], extra: float) -> tuple[float, float, float]:
    """Add a known variance (Satterthwaite)."""
    value, error, freedom = found
    total = error**2 + extra
    return value, math.sqrt(total), freedom * total**2 / error**4


def estimates(
    valid: list[list[tuple[int, str, float]]], step: float
) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    """Mean of the lot and its difference from the control: estimate, error, freedom.

    Dense restricted likelihood over log variances; the degrees of freedom from the numerical
    Hessian of the likelihood.
    """
    rows = [
        (a, s if s in (LOT, CONTROL) else f"{s} of {k}", k, v)
        for k, one in enumerate(valid)
        for a, s, v in one
        if s != "poor"
    ]
    names = sorted({s for _, s, _, _ in rows}, key=lambda s: (s != LOT, s != CONTROL, s))
    looks, y = len(valid), np.array([v for *_, v in rows])
    design = np.zeros((len(rows), len(names) + looks - 1))
    for i, (_, s, k, _) in enumerate(rows):
        design[i, names.index(s)] = 1
        if k < looks - 1:
            design[i, len(names) + k] = 1
        else:
            design[i, len(names) :] = -1
    who = np.array([a for a, *_ in rows])
    same = who[:, None] == who[None]
    when, what = np.array([k for _, _, k, _ in rows]), np.array([s for _, s, *_ in rows])
    parts = [same]
    if looks > 1:
        parts.append(same & (when[:, None] == when[None]))
    by_sample = same & (what[:, None] == what[None])
    if (by_sample & ~np.eye(len(rows), dtype=bool)).any():
        parts.append(by_sample)
    blocks = [np.flatnonzero(who == a) for a in sorted(set(who.tolist()))]
    most = max(len(b) for b in blocks)
    x, own = np.zeros((len(blocks), most, design.shape[1])), np.zeros((len(blocks), most, 1))
    kernels = np.zeros((len(parts) + 1, len(blocks), most, most))
    there = np.zeros((len(blocks), most), dtype=bool)
    for j, b in enumerate(blocks):
        n, square = len(b), np.ix_(b, b)
        x[j, :n], own[j, :n, 0], there[j, :n] = design[b], y[b], True
        kernels[:, j, :n, :n] = [*(part[square] for part in parts), np.eye(n)]
    padding = np.eye(most) * ~there[:, :, None]
    floor = step**2 / 12

    def fitted(theta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        root = np.linalg.cholesky(np.tensordot(theta, kernels, 1) + padding)
        wx, wy = np.linalg.solve(root, x), np.linalg.solve(root, own)
        flat, right = wx.reshape(-1, wx.shape[2]), wy.ravel()
        info = flat.T @ flat
        inverse = np.linalg.inv(info)
        fixed = inverse @ (flat.T @ right)
        logs = 2 * np.log(np.diagonal(root, axis1=1, axis2=2)).sum()
        deviance = logs + np.linalg.slogdet(info)[1] + right @ right - fixed @ info @ fixed
        return float(deviance), fixed, inverse

    count = len(parts) + 1
    start = np.full(count, max(np.var(y) / count, floor))
    bounds = [(0.0, None)] * len(parts) + [(floor, None)]
    theta = optimize.minimize(
        lambda t: fitted(t)[0], start, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-11}
    ).x
    theta = np.maximum(theta, 1e-4)
    _, fixed, inverse = fitted(theta)
    h = 0.02 * theta + 1e-3
    units = np.eye(count) * h

    def curvature(i: int, j: int) -> float:
        signs = itertools.product((1, -1), repeat=2)
        total = sum(
            p * q * fitted(np.maximum(theta + p * units[i] + q * units[j], 1e-9))[0]
            for p, q in signs
        )
        return float(total / (4 * h[i] * h[j]))

    hessian = np.array([[curvature(i, j) for j in range(count)] for i in range(count)])
    spread = 2 * np.linalg.pinv(hessian, hermitian=True)
    slopes = [
        (fitted(theta + units[i])[2] - fitted(np.maximum(theta - units[i], 1e-9))[2]) / (2 * h[i])
        for i in range(count)
    ]
    made = []
    for weights in ((1, 0), (1, -1)):
        c = np.zeros(design.shape[1])
        c[:2] = weights
        variance = float(c @ inverse @ c)
        slope = np.array([c @ s @ c for s in slopes])
        noise = float(slope @ spread @ slope)
        freedom = 2 * variance**2 / noise if noise > 0 else 1e6
        made.append((float(c @ fixed), math.sqrt(variance), max(freedom, 1.0)))
    return made[0], made[1]


def chances(
    rule: dict[str, Any], *, quality: float, share: float, draws: int, seed: int
) -> dict[str, float]:
    """Chances of release, hold and reject, of two sittings or more, and of a test."""
    fates: Counter[str] = Counter()
    for number in range(draws):
        lot = Lot(rule, quality, share, random.Random(f"{seed} {number} {quality} {share}"))
        fates[lot.fate()] += 1
        fates["again"] += lot.sittings > 1
        fates["tested"] += lot.tests > 0
    return {name: count / draws for name, count in fates.items()}
