"""Host side of evenstring: decode what a cell-group monitor sends, and say what it means."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("evenstring")
except PackageNotFoundError:  # run from a source tree that was never installed
    __version__ = "0.0.0"
