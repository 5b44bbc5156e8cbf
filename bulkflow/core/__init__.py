"""The general multi-period network program: build, strengthen, solve, prove, recheck.

Rooms in the order of a solve: the network and its assembly, the solver's session and the strategy
(`strong`) in this package; `column_generation`; `cuts`; `heuristics`. Knows no trade: nodes, lanes,
commodities, periods, vehicles, limits, activities. The types are in `bulkflow.core.network`; import
from the modules, nothing heavy is loaded here.
"""
