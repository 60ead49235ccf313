"""Tables as they come in: trials, stages, counts, names, and what is wrong with them."""
