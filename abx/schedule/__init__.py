"""Who hears what, in which order, dealt from one secret seed."""
