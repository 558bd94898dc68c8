"""The companion: a second process that switches the bench off when a run is killed or hangs.

In: signs of life of the run, which come from its own waits, exchanges and rows; no thread gives them. Out:
supply, contacts and oven off over a connection of its own, and what it did, in ``companion.csv``.
``heartbeat`` and ``client`` are the run's side, ``process`` and ``switch_off`` the companion's. It tries
without end while something is not known to be off: giving up would leave a coil driven.
"""
