"""Files as people have them: text tables, sound files, and the error that bad ones raise."""
