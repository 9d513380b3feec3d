"""steadyram: host tool, virtual press and metrology for a force cutoff on a hydraulic shop press."""

__version__ = "0.1.0"
