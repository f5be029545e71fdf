"""What stands in a report: one module per section."""
