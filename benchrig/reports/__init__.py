"""From a record to paper and screen: page, label, terminal. Pure functions of the record; no clock, no database.

Only `benchrig.reports.page_files` writes.
"""
