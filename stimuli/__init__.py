"""Measured stages become level-matched stimuli: responses, filters, rendering, checks."""
