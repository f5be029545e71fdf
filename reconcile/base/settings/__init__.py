"""``reconcile.toml`` as models, one module for each part; ``whole`` holds them together."""
