"""The physics of the simulated bench: coils, contacts, air, heat and current, advanced on demand.

In: the parts of a fault script. Out: temperatures, resistances and currents at the present instant.
``world`` advances all the others, which know nothing of it. Heat is stepped exactly, not by small
differences.
"""
