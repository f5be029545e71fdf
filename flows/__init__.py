"""The schedule: the same steps as the command line, as a Prefect flow."""
