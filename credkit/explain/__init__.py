"""Explaining: why a value fails, what it may be, how two are related, and drawings."""
