"""Plots: what is drawn, and how each medium draws it."""

from reportlab import rl_config

#: Every attribute of every mark would be checked again when it is set: a sixth of a drawing's time.
rl_config.shapeChecking = 0
