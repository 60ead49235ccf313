"""Experiments made of sound: region swaps and partial steps."""
