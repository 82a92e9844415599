"""Files: what is read and written, whole, within bounds, and by no link."""
