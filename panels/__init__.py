"""Blind nosing panels: preparing and serving, sensory methods, release rules, decisions.

In a notebook: methods on data frames (`mixed_model`, `performance`, `friedman`,
`difference_test`), what a rule does (`rule`), and a sitting judged (`sitting`); see
:mod:`panels.library`. Nothing heavy is imported before it is asked for; single parts are in the
sub-packages (``panels.methods`` ...).
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from panels.library import (
        Result,
        Rule,
        Sitting,
        difference_test,
        friedman,
        mixed_model,
        performance,
        rule,
        sitting,
    )

__all__ = [
    "Result",
    "Rule",
    "Sitting",
    "difference_test",
    "friedman",
    "mixed_model",
    "performance",
    "rule",
    "sitting",
]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from panels import library

        return getattr(library, name)
    raise AttributeError(f"module 'panels' has no attribute {name!r}")
