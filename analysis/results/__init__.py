"""What an analysis returns: one frozen type a block, and their form in JSON."""
