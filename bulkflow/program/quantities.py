"""The quantities of a core solution by id, cleaned of rounding."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.network import Network
from bulkflow.core.outcome import Solution

__all__ = ["NOTHING_LPA", "Quantities"]

FloatArray = NDArray[np.float64]

NOTHING_LPA = 1e-6
"""Less than this is rounding of the solver, not liquid [LPA]; a thousandth of a millilitre."""


class Quantities:
    """What a solution says, as arrays over periods; what is not in it is zero."""

    def __init__(self, network: Network, solution: Solution) -> None:
        self._solution = solution
        self._zero = np.zeros(network.periods)
        self._row = {name: row for row, name in enumerate(network.commodities)}
        self._lead = {lane.id: lane.lead_time for lane in network.lanes}

    def activity(self, activity: str) -> FloatArray:
        """Return the level of an activity."""
        return _clean(self._solution.activity.get(activity, self._zero))

    def flow(self, lane: str) -> FloatArray:
        """Return the LPA sent on a lane; its lanes carry one commodity each."""
        sent = self._solution.flow.get(lane)
        return self._zero if sent is None else _clean(sent.sum(axis=0))

    def lots(self, lane: str) -> FloatArray:
        """Return the whole number of vehicles sent on a lane."""
        return np.rint(self._solution.vehicles.get(lane, self._zero))

    def stock(self, node: str, name: str) -> FloatArray:
        """Return the closing stock of a commodity at a node."""
        return self._at(self._solution.stock.get(node), name)

    def shortage(self, node: str, name: str) -> FloatArray:
        """Return what is lost, or the backlog open, at a node."""
        return self._at(self._solution.shortage.get(node), name)

    def outlet(self, kind: str, ref: str) -> FloatArray:
        """Return what a lane or an activity carries."""
        return self.flow(ref) if kind == "lane" else self.activity(ref)

    def in_transit(self, lane: str) -> FloatArray:
        """Return the LPA sent on a lane and not yet arrived at the end of each period."""
        flow, lead = (
            self.flow(lane),
            np.broadcast_to(np.asarray(self._lead[lane]), (len(self._zero),)),
        )
        waiting = np.zeros(len(flow))
        for t in np.flatnonzero(flow):
            waiting[t : t + int(lead[t])] += flow[t]
        return waiting

    def _at(self, values: FloatArray | None, name: str) -> FloatArray:
        if values is None or name not in self._row:
            return self._zero
        return _clean(values[self._row[name]])


def _clean(values: FloatArray) -> FloatArray:
    """Take out the solver's rounding below and just above zero."""
    return np.where(values > NOTHING_LPA, values, 0.0)
