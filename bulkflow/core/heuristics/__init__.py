"""Primal heuristics: an incumbent at once, better ones from it, and stability of earlier plans."""
