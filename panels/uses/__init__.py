"""The methods put to work: decisions that a house meets besides the release of a lot.

================  ==============================================================================
module            what it decides
================  ==============================================================================
``declaration``   the rule of each use, declared before the first glass, and its reader
``answers``       tables of forced-choice answers, checked against the declaration
``source``        whether a second source of spirit is like the approved one, over deliveries
``site``          whether a new bottling site keeps the standard, over trial runs
``arrival``       whether bulk that arrived is what was sent, trial by trial
``off_note``      whether an off-note is there, judged by those who can notice it
``choosing``      who meets the panel's rule, who needs training, who notices what
``monitoring``    whether the panel, or one of its assessors, drifts
``picture``       charts of the last, and of an arrival, drawn
``records``       declarations and findings in the register
``documents``     results as plain data
================  ==============================================================================

Every use states its risks. Nothing counts as shown because a difference was not found, and no
answer from before a rule was declared is judged by it.
"""
