"""Plots: what is drawn, and how each medium draws it."""
