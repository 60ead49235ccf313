"""What do they prefer? Worths, groups, programmes, strength."""
