"""``python -m daq`` is ``coilsoak``."""

from daq.cli import main

main()
