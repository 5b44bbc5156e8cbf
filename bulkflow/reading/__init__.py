"""The one reader of tables (CSV, workbook) and of YAML, and the words their faults are told in.

Every file a user hands in is read here, whatever it is for: the same encodings, the same rules
for numbers and days, and every fault of a file at once, with file, line and field, what was found
and what would be right. Nothing here knows what the values mean.
"""
