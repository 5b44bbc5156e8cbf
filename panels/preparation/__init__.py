"""Getting samples ready: drawing them from the tank, diluting, resting, and standards.

=============  ====================================================================
module         what it holds
=============  ====================================================================
``dilution``   what to weigh or measure for a nosing strength, and when to nose
``sampling``   which samples to draw from a tank, sealed and kept how long
``standards``  the test that joins a reference standard to its successor
``cautions``   the cautions printed on every sheet
=============  ====================================================================
"""
