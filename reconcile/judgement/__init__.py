"""Verdicts, factors and conformity: what may be done with the numbers."""
