"""What a plan takes and what it can find."""
