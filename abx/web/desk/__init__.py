"""The study desk: prepare and follow a study in a browser."""
