"""Bulk shipments of juniper spirit: alcoholometry, planning, lots and their records.

The package imports nothing heavy at import time; take what you need from the
sub-packages (``bulkflow.alcoholometry``, ``bulkflow.core``, ``bulkflow.scenario`` ...).
"""
