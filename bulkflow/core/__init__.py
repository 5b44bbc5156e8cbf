"""The general multi-period network program: build, strengthen, solve, prove, recheck.

Knows no trade: nodes, lanes, commodities, periods, vehicles, limits, activities. The types are in
`bulkflow.core.network`; import from the modules, nothing heavy is loaded here.
"""
