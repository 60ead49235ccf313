"""Texts from outside and texts for outside: names, commands, keys, addresses and TOML."""
