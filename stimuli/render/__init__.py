"""Rendered, level-matched sets of sounds, and their check."""
