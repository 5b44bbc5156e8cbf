"""What if: a change in one line, the plan made again, and what that costs whom.

`grammar` reads the lines, `planning` plans and compares. Nothing is kept here.
"""

from bulkflow.what_if.grammar import FORMS, Change, changed, read_changes
from bulkflow.what_if.planning import Receiver, WhatIf, plan_what_if

__all__ = ["FORMS", "Change", "Receiver", "WhatIf", "changed", "plan_what_if", "read_changes"]
