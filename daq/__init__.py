"""Everything that touches the bench: links, instruments, procedures, the run record and the command line."""

import os

# Matrices here are small: spread over two threads each product waits for the other, and on a busy machine a
# fit takes seven times as long. Read by the linear algebra library when numpy is loaded, which is later.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"
