"""All figures of a stratum: which are computed, and from what."""
