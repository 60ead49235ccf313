"""Ratings and grades."""
