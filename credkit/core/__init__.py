"""The core: forms, checks, what a codec is, and chains."""
