"""Laboratory arithmetic: what a result means before anything is decided by it.

Numbers in, numbers or small frozen results out: nothing here reads a file, keeps a record or looks
at a clock. Figures that are facts of a method or a standard are rules
(``bulkflow/rules/laboratory.yaml``), each with its source.

============================  ==================================================================
module                        what it holds
============================  ==================================================================
``units``                     mg/l, mg/kg and g/hl of pure alcohol; acetal; blends
``replicates``                repeatability, critical ranges, what to report of several results
``agreement``                 two laboratories, certificates, En, uncertainty, Horwitz
``conformity``                guard bands, probability of conformity, batch tests of contents
``detection``                 results below detection: bounds of sums, limits of detection
``density_meter``             what a density or temperature error does to a strength
``obscuration``               strength hidden by sugar and solids
============================  ==================================================================
"""
