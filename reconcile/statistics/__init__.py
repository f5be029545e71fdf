"""Statistics of method comparison: plain numpy in, frozen dataclasses out."""
