"""How steady listeners are, and which are left out or flagged."""
