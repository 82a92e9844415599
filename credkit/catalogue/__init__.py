"""The catalogue of all codecs, and the calls that users make."""
