"""Blind nosing panels: preparing and serving, sensory methods, release rules, decisions.

The package imports nothing heavy at import time; take what you need from the
sub-packages (``panels.methods`` ...).
"""
