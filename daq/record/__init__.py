"""The record of one run: a folder, append-only, readable at whatever moment it was cut off.

In: rows and events as they come. Out: the same, read back as traces; or somebody else's CSV read as such.
``format`` says the names, columns and cells; a reader takes its own version and older ones and refuses newer
ones. What was written before a crash is there after it, and never needs repair by hand; a damaged row is
told, not guessed. What was seen or done afterwards stands beside it in a table of its own.
"""
