"""The same coils in several runs: which is which, what changed, and what was done to them in between.

In: results of runs in order, and observations. Out: changes with the uncertainty of the difference, and their
words.
What two runs share (one meter, one thermometer) leaves a difference, and so does not widen it. It says what
happened to coils; verdicts are :mod:`analysis.judge`'s, which it does not know.
"""
