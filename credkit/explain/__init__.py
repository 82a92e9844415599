"""Explaining: why a value fails, what it may be, and drawings."""
