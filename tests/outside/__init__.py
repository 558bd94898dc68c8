"""An independent bench: instruments on loopback TCP whose physics and faults share nothing with the program.

Nothing here imports ``daq`` or ``analysis``; the program is met as a user meets it: rig file, coil-set file,
command line, screen, run folder. ``run.py`` puts a soak on this bench and tells what came of it.
"""
