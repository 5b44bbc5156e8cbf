"""Statistics that the laboratory and the panel share: one home, a function each.

============================  ==================================================================
module                        what it holds
============================  ==================================================================
``precision``                 repeatability, reproducibility, Mandel's h and k, Cochran, Grubbs
``tolerance``                 tolerance factors, acceptance by variables
``control_charts``            Shewhart, EWMA and CUSUM charts
``arguments``                 what all of them accept and refuse
============================  ==================================================================
"""
