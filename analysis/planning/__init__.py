"""What a study can find, before and after it is run."""
