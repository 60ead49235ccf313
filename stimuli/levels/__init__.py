"""How loud a sound is, by several models, and its true peak."""
