"""From a microphone to a response: test signals, takes, band levels."""
