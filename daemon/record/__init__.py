"""The monthly record: one sheet to print and keep, and its tables as CSV, from what the store holds.

:mod:`daemon.record.gather` reads the store into :mod:`daemon.record.facts`; :mod:`daemon.record.sheet` prints them and
:mod:`daemon.record.tables` writes them down. Nothing here runs in the daemon.
"""
