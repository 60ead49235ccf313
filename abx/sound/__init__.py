"""From the measured stages of a study to its stimuli, and what they are likely to let hear."""
