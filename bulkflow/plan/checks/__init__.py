"""The families of the independent check, worked from ``bulkflow/program/README.md`` alone.

Nothing here shares code with the builder: days, periods, origin classes and money are worked out
anew from the workspace. ``bulkflow.plan.check`` runs the families and gives the report.
"""
