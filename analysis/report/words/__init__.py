"""Sentences of a report, the conditions on them, names and numbers."""
