"""Photo-assisted fruit and truss counting for small side-by-side trials."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("counting")
except PackageNotFoundError:  # run from a checkout that was never installed
    __version__ = "0+unknown"

__all__ = ["__version__"]
