"""Speed and memory as ratios to baselines of the same run; see `tests/bench/README.md`."""

import os

# As commands do; an idle processor would let a second thread of linear algebra wait and count.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
