"""A listener from consent to the last answer, and the versions of a study that are open."""
