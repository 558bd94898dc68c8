"""The sweep: every coil once at room temperature, nothing energised.

In: labels, and what each coil should read. Out: one row a coil, and a word on the spot where a figure is odd.
``sweep`` asks for coil after coil or switches, ``typed`` takes a hand meter's figures, ``hands_free`` follows
the leads. ``contact`` tells from readings alone what leads in a hand are doing. A sweep says that heat was
not tested.
"""
