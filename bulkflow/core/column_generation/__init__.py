"""Items: a node and commodity with fixed demand and whole vehicles inbound, planned one by one.

`model` reads the items off a program, `dynamic` finds the best plan of every item at given prices
(and a bound on it), `master` sets the prices, `generate` takes the two in turn, and `search` makes
plans of the whole: by `rounding`, by `price_dive` and `completion` where much is whole besides
items, and by `repair` where there is a plan to start from.
"""
