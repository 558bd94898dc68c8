"""Somebody else's table of temperature and resistance, read into traces.

In: a CSV or xlsx file. ``opening`` says what it is and gives its
``sheets``, whichever it is (``csv_text``, ``xlsx``). ``headings`` says
what one heading may mean, ``propose`` what all of them mean together and what is in doubt, ``columns`` is the
answer, in words that a person can give. Out: ``traces`` reads the rows by that answer. What is not clear is
refused with line and column rather than guessed.
"""
