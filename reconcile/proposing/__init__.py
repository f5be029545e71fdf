"""From tables that nobody has described to settings: what they are, and what must be asked."""
