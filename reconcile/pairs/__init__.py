"""Place, average, join: from stored rows to pairs, with the account of all."""
