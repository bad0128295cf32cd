"""Screens: the arrival before a record is open, and the walk."""
