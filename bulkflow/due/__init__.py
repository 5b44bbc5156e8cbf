"""The week's list: what waits, what it holds up, and which command settles it.

`week_of_workspace` is what terminal, report and live page call; `bulkflow.plan.week` says what a
line is. Everything is read: nothing is written, no register is begun.
"""

from bulkflow.due.week import week_in, week_of_workspace

__all__ = ["week_in", "week_of_workspace"]
