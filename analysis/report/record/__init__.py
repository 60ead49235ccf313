"""Sections about how it was found: plan, practice, methods, sound, checks."""
