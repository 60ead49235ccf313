"""Measured figures held against preference."""
