"""One thread for numpy's small matrices, as on a board, in every test and in what it starts: several wait
busily for one another and for the other workers of the suite. Set before anything imports numpy."""

from __future__ import annotations

import os
import sys

assert "numpy" not in sys.modules, "it has read its number of threads already"
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
