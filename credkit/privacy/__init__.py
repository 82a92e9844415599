"""Privacy: what looks like a payment card, and what may be shown of it."""
