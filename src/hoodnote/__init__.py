"""hoodnote: offline field notes for vehicle air-conditioning work."""

import os

__version__ = "0.1.0"

# The program's own networks are small: a second thread of numpy's matrix product waits busily and makes them slower, much so on a
# loaded machine. It is read when numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
