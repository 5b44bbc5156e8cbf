"""Items: a node and commodity with fixed demand and whole vehicles inbound, planned one by one.

`model` reads the items off a program, `dynamic` finds the best plan of every item at given prices
(and a bound on it), `master` sets the prices, `pick` and `improve` make whole plans.
"""
