"""Questions at the machine itself: the mixer, the terminal and the stages by name."""
