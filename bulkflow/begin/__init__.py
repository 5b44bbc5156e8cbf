"""A workspace to begin with: small, complete, commented, and planned at once."""

from bulkflow.begin.writing import begin_workspace

__all__ = ["begin_workspace"]
