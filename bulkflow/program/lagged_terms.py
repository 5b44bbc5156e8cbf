"""Terms of limits that follow loads over periods: what is sent in *t* counts in later periods."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.network import Term

__all__ = ["lagged_terms", "span_weights"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def span_weights(first: IntArray, last: IntArray, sendable: NDArray[np.bool_]) -> FloatArray:
    """Return (lags, T) with 1 where what is sent in t counts ``lag`` periods later, else 0.

    Parameters
    ----------
    first, last : lags from and to which it counts (both included), (T,).
    sendable : periods in which anything may be sent, (T,).
    """
    most = int(last[sendable].max(initial=-1))
    lags = np.arange(min(most, len(first) - 1) + 1)[:, None]
    return ((first <= lags) & (lags <= last) & sendable).astype(float)


def lagged_terms(
    kind: Literal["flow", "vehicles", "activity"],
    ref: str,
    weights: FloatArray,
    sendable: NDArray[np.bool_],
) -> list[Term]:
    """Return the fewest terms with which row t + lag counts ``weights[lag, t]`` of period t.

    Lags whose weight is the same in every sending period need one number; neighbours among
    them with the same number become one term.
    """
    terms: list[Term] = []
    run: list[int] = []
    value = 0.0

    def close() -> None:
        if run and value:
            terms.append(Term(kind, ref, value, lag_first=run[0], lag_last=run[-1]))
        run.clear()

    periods = weights.shape[1]
    for lag, row in enumerate(weights):
        counted = row[: periods - lag][sendable[: periods - lag]]
        if not counted.size:
            continue
        if (counted == counted[0]).all():
            if not run or counted[0] != value:
                close()
                value = float(counted[0])
            run.append(lag)
            continue
        close()
        times = np.zeros(periods)
        times[lag:] = row[: periods - lag]
        terms.append(Term(kind, ref, times.tolist(), lag_first=lag, lag_last=lag))
    close()
    return terms
