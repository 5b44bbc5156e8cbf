"""How well assessors do their work, and choosing among them by a rule declared beforehand.

=================  =============================================================================
module             what it holds
=================  =============================================================================
``performance``    discrimination, repeatability, agreement, bias and scale use from a scored set
``drift``          the reference score over sittings, on charts
``sensitivity``    who notices which off-note: detection records and thresholds
``selection``      the declared rule, who meets it, who needs training and in what
``register``       training and qualification on record, with their end; who is fit to sit
=================  =============================================================================

Terms as in ISO 11132:2021. Nothing here drops anybody: a selection needs a rule with a date
before the data it judges.
"""
