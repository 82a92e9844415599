"""The version, as outputs name it."""

__version__ = "0.1.0"
