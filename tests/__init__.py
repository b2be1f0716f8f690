"""Tests by part. Threads of the linear algebra are off: two workers with two threads each wait for each other."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
