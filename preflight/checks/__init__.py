"""Instrument checks: one module each, found through `preflight.checks.table`."""
