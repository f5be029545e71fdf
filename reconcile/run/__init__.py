"""One run: what it knows, and the order of its steps."""
