"""What to do first, next, and for a budget."""
