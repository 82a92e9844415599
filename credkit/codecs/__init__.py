"""The codecs, one pure module per family; each module ends with its ``ENTRIES``."""
