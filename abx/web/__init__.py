"""Everything that is served to a browser."""
