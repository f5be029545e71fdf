"""What single commands do, each with its own printing."""
