"""The steps of a run, in the order in which ``pipeline.STEPS`` takes them."""
