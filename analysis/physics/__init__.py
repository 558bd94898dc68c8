"""Copper and thermometers: resistance to temperature and back.

In: ohms, volts, degC. Out: the same by published laws (IEC 60028, IEC 60751, ITS-90, Steinhart and Hart).
Nothing here knows a coil, a limit or a word.
"""
