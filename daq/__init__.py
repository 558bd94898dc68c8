"""Everything that touches the bench: links, instruments, procedures, the run record and the command line."""

__version__ = "0.1.0"
