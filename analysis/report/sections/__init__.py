"""Sections about what was found."""
