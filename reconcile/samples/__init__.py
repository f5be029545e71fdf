"""One id per sample: identity, spellings, and the corrections that persons entered."""
