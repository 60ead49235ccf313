"""What a first screen may say: the verdicts of claims, chosen and put in order."""
