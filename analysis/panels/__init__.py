"""One figure over a panel of listeners: tests, intervals, exact tails, words for numbers."""
