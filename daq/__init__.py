"""lyewatch: data acquisition for the test bench of water-electrolysis gas cells."""

__all__ = ["__version__"]

__version__ = "0.2.0"
