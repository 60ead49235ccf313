"""Read, check, change and begin a study file."""
