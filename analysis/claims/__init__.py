"""Sentences that data support, contradict or leave undecided."""
