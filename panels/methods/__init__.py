"""Methods of sensory analysis: one module for each family, usable as a library.

Every function takes numbers or arrays and returns numbers or a small frozen result; nothing here
reads a file, prints, or looks at a clock. Exact forms come before approximations, and a result
never says "significant": it gives the statistic, its level and its interval.

============================  ==================================================================
module                        what it holds
============================  ==================================================================
``protocols``                 the forced-choice tests, their guess chance and serving orders
``psychometric``              proportion correct as a function of d-prime, and back
``discrimination``            difference tests: critical numbers, p-values, power, panel size
``similarity``                tests that put the burden of proof on "the same"
``thurstone``                 d-prime of forced-choice tests with its interval
``anota``                     A-not-A, with or without sureness ratings
``replicated``                repeated tests by the same assessor (beta-binomial)
``sequential``                deciding trial by trial (ISO 16820)
``rank_distributions``        exact distributions behind the rank tests
``ranking``                   Friedman, Page, Kendall, comparisons of rank sums
``scoring``                   panel analysis of variance, intervals, comparisons of means
``mixed_model``, ``reml``     unbalanced scores: the mixed model and its estimation
``dunnett``                   several lots against one control
``difference_from_control``   ratings of the size of a difference
``ordinal``                   proportional-odds and probit models of category scores
``robust``                    medians, Algorithm A, Huber estimates
``hotelling``                 T-squared charts for several variables at once
``configurations``            agreement of two maps of the same samples (RV)
============================  ==================================================================

Precision, tolerance limits and control charts, which the laboratory needs too, are in
:mod:`bulkflow.statistics`.
"""
