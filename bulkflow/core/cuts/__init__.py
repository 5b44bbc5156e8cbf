"""Cuts: rows that every plan keeps, found in rounds at the root where the relaxation does not."""
