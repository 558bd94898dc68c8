"""The one place through which everything passes that energises: limits, interlocks, and off at the end.

In: supply, oven, and whoever else can switch off. Out: guarded blocks, and alarms that stand until proof.
The lower of rig and coil limit wins; what is above it is refused, never cut down to fit. Nothing is called
stopped that was not seen to stop: the meter looks for voltage, an oven has to be seen to cool. ``vigil``
tries and says so for as long as something is not proved off; only somebody told twice ends it.
"""
