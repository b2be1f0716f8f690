"""An outside model reports its use over the network unless told not to; set before anything imports it."""

from __future__ import annotations

import os

os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")
