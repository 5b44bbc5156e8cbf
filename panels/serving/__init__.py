"""Who noses what, in which order, under which code.

Orders balanced for position and carry-over, incomplete blocks where there are more lots than
one person should nose, blind codes, and the serving plan of a sitting with its key kept apart.
Everything here is pure: a seeded generator comes in, small frozen objects go out.
"""

from panels.serving.blocks import BlockDesign, incomplete_blocks
from panels.serving.codes import draw_codes
from panels.serving.orders import Balance, balance_of, balanced_orders, williams_design
from panels.serving.plan import (
    MAX_SERVINGS,
    KeyEntry,
    Purpose,
    Sample,
    Serving,
    ServingPlan,
    plan_servings,
)

__all__ = [
    "MAX_SERVINGS",
    "Balance",
    "BlockDesign",
    "KeyEntry",
    "Purpose",
    "Sample",
    "Serving",
    "ServingPlan",
    "balance_of",
    "balanced_orders",
    "draw_codes",
    "incomplete_blocks",
    "plan_servings",
    "williams_design",
]
