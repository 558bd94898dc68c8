"""Ways to reach an instrument; the only room that knows what a wire is, and that has pyvisa and pyserial.

In: an address and the settings of a wire. Out: text both ways, with time-outs, and errors that say what
failed.
``base`` is what a link can do, ``lines`` what all that move bytes share, ``visa`` opens them, ``inprocess``
needs none. One owner a port: a lock of our own, since a serial port opens twice without an error.
"""
