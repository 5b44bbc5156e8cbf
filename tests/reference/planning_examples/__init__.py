"""Worked examples from the literature, and the runner that checks them.

``python -m tests.reference.planning_examples FILE...`` prints one line a check.
"""
