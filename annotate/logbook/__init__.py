"""The logbook: the folder of one recorder or team, with its database, evidence pictures and settings.

All SQL of the project stands in this room. What leaves it are the frozen dataclasses of `annotate.logbook.records`, never a
row of the database. Start with `annotate.logbook.opening`.
"""
