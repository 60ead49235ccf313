"""Can they hear it? Forced choice, d', sides, controls."""
