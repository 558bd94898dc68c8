"""The simulated instruments: SCPI text in, text out, by a parser of their own; some babble, hang or lie.

In: bytes. Out: bytes, after the time that a real one takes. Each looks at the world under its lock.
Noise is drawn instrument by instrument, so that a new fault leaves the draws of all others as they were.
"""
