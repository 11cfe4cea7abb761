"""Shared by all tests: small matrices do not want BLAS threads."""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
