"""The bench as procedures see it: what is read and driven, which contacts lead where, and who is at hand.

In: a checked rig file. Out: a :class:`~daq.bench.bench.Bench` of roles, guard, harness, clock and operator.
``assembly`` is the composition root: it alone knows links, drivers, dialects and the simulated bench
together. Fits are done beside the measuring loop, in a process of their own; in virtual time their answer
takes half a second. Contacts move in ``harness`` alone, and never under current.
"""
