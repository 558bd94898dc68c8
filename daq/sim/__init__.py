"""The simulated bench: a fault script becomes coils, air and instruments that answer in text.

In: a fault script and a seed. Out: peers that take and give bytes, in this process or served on this machine.
``world`` is the physics, ``devices`` the instruments; they share neither parser nor formula with the code
under test, since that would hide the mistakes of both. Its truth may be asked by tests alone. The same script
and seed give the same run, bit for bit.
"""
