"""The register of lots: what they are, what was measured and decided, and whether they may ship.

Questions are functions that take a session and return frozen dataclasses
(:mod:`~bulkflow.lots.queries`, :mod:`~bulkflow.lots.explaining`,
:mod:`~bulkflow.lots.parentage`, :mod:`~bulkflow.lots.opening`); acts take a writing session and
append records (:mod:`~bulkflow.lots.acts`, :mod:`~bulkflow.lots.deciding`,
:mod:`~bulkflow.lots.declaring`). The rule of the gates is in :mod:`~bulkflow.lots.gates`.
"""
