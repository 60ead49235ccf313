"""The demonstration study: an invented ferry, workshop, measurements and music."""
