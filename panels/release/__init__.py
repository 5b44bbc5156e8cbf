"""The release rule: declared, its risks computed, applied.

=====================  ============================================================
module                 what it holds
=====================  ============================================================
``rule``               the form of a rule, its versions and fingerprint
``judging``            verdicts from intervals, and stops from off-notes
``procedure``          the whole way of a lot, from everything that happened to it
``simulation``         simulated lots and sittings
``characteristic``     the operating characteristic, and panel sizes for given risks
``picture``            the characteristic drawn
``confirmation``       confirming an off-note, or clearing a lot by a similarity test
=====================  ============================================================
"""
