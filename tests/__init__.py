"""The tests. One thread for numpy's algebra, set before numpy is loaded: threads of several
workers would wait for each other on small arrays."""

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
