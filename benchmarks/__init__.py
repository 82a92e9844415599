"""Measurements, side by side with what a user would write instead. Run ``python -m benchmarks``."""
