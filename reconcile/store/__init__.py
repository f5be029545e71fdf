"""The DuckDB file, and every SQL statement."""
