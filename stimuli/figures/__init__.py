"""What a response says in figures and pictures: deviation, metrics, audibility."""
