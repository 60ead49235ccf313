"""One module a command: parse, call one library function, show the result."""
