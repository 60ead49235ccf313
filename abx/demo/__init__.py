"""The demonstration study: an invented shop, vehicle, measurements and music."""
