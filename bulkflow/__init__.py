"""Bulk shipments of juniper spirit: alcoholometry, planning, lots and their records.

The whole job in a notebook: `read` a workspace or `build` one, then see
:class:`bulkflow.library.Quarter`. Nothing heavy is imported before it is asked for; single parts
are in the sub-packages (``bulkflow.alcoholometry``, ``bulkflow.core``, ``bulkflow.scenario`` ...).
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bulkflow.library import Quarter, QuarterPlan, build, read, read_plan

__all__ = ["Quarter", "QuarterPlan", "build", "read", "read_plan"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from bulkflow import library

        return getattr(library, name)
    raise AttributeError(f"module 'bulkflow' has no attribute {name!r}")
