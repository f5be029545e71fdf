"""Immutable releases, their record and their history."""
