"""Music and noise to listen to: reading it, finding excerpts, making some."""
