"""How fast strengths are read from densities, beside a root finder called for each.

``python -m tests.benchmarks.alcoholometry [--size N] [--slow N] [--seed S]`` prints one JSON
document. Both ways start from the same densities and temperatures and use the same formula; the
slow one brackets the root for each element with scipy's ``brentq`` and is timed on a part only.
"""

from __future__ import annotations

import argparse
import json
import platform
import resource
import time

import numpy as np
import scipy
from scipy.optimize import brentq

from bulkflow import alcoholometry as al
from bulkflow.alcoholometry.coefficients import oiml_r22


def liquids(size: int, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Random mass fractions, temperatures and their densities, over the whole range."""
    rng = np.random.default_rng(seed)
    temperature = rng.uniform(-20.0, 40.0, size)
    fraction = rng.uniform(al.freezing_limit(temperature), 1.0)
    return fraction, temperature, np.asarray(al.density(fraction, temperature))


def one_by_one(density: np.ndarray, temperature: np.ndarray) -> np.ndarray:
    """Strengths by a bracketing root finder on plain floats, a polynomial per temperature."""
    matrix = oiml_r22().matrix
    found = np.empty(density.size)
    at_20 = np.polynomial.polynomial.polyval(0.0, matrix)[::-1]
    ethanol = float(np.polyval(at_20, 1.0))
    for index, (rho, t) in enumerate(zip(density, temperature, strict=True)):
        columns = np.polynomial.polynomial.polyval(t - 20.0, matrix)[::-1].tolist()

        def surplus(p: float, columns: list[float] = columns, rho: float = rho) -> float:
            total = 0.0
            for column in columns:
                total = total * p + column
            return total - rho

        p = brentq(surplus, -1e-6, 1.0 + 1e-6, xtol=1e-13, rtol=1e-13)
        found[index] = 100.0 * p * float(np.polyval(at_20, p)) / ethanol
    return found


def best_of(runs: int, call) -> float:
    """The shortest of several wall times [s]."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=1_000_000)
    parser.add_argument("--slow", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()

    fraction, temperature, density = liquids(chosen.size, chosen.seed)
    start = time.perf_counter()
    strength = np.asarray(al.strength_from_density(density, temperature))
    first = time.perf_counter() - start  # with the building of the start table
    fast = best_of(3, lambda: al.strength_from_density(density, temperature))

    part = slice(0, min(chosen.slow, chosen.size))
    start = time.perf_counter()
    slow_strength = one_by_one(density[part], temperature[part])
    slow = (time.perf_counter() - start) / max(slow_strength.size, 1) * chosen.size

    exact = np.asarray(al.strength_from_mass_fraction(fraction))
    print(
        json.dumps(
            {
                "size": chosen.size,
                "seed": chosen.seed,
                "seconds_first_call": round(first, 4),
                "seconds": round(fast, 4),
                "strengths_per_second": round(chosen.size / fast),
                "alternative": "scipy.optimize.brentq, element by element",
                "alternative_seconds_scaled": round(slow, 3),
                "alternative_measured_on": int(slow_strength.size),
                "ratio": round(slow / fast, 1),
                "largest_error_percent_vol": float(np.abs(strength - exact).max()),
                "largest_difference_percent_vol": float(
                    np.abs(strength[part] - slow_strength).max()
                ),
                "peak_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
                "python": platform.python_version(),
                "numpy": np.__version__,
                "scipy": scipy.__version__,
                "machine": platform.machine(),
            },
            indent=2,
        )
    )


if __name__ == "__main__":
    main()
