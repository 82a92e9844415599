"""What people have to do about a result: items of work, the text of their list, and the lines that end them.

Crosswalk, census and audit list their work by it: a cause is one item with all its effects.
"""
