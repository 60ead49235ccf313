"""Blind comparison: study plan, sealed schedule, sessions, player, store and commands."""
