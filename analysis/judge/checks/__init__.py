"""One file for each kind of thing that can be wrong: with a coil, its probe, its leads, its rows, its meter.

In: a trace and what was estimated of it, and for some the other coils of the set. Out: findings, which forbid
a pass, convict, or only say something. Each check looks at the rows that it is about; ``unexplained`` asks
all the others what they are doing there, and convicts nobody.
"""
