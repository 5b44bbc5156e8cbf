"""Loads, from the plan to the bottler: which lots fill them, how far they have come, their papers.

Kept on the register's chain (:mod:`bulkflow.loads.tables`); what a load's state is follows from
its last step, what may happen next from the one table of steps (:mod:`bulkflow.loads.steps`).
Planning and allocation propose, people promise, accept tanks, issue, load and send.
"""
