"""Many sites: run side by side, watched on one page, and held against each other."""
