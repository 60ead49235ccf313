"""Statistical models and what fits them; they know nothing of claims."""
