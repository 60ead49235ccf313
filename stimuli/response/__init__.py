"""Measured responses, target curves and the bands that both stand on."""
