"""An independent bench: instruments on loopback TCP whose physics and faults share nothing with the program.

Nothing here imports ``daq`` or ``analysis``; the program is met as a user meets it: rig file, coil-set file, command
line, screen, run folder. See ``run.py`` for how a soak is put on this bench and what is known of it afterwards.
"""
