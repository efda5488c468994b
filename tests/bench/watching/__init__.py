"""Shops, trials and ordinary years for the benchmark of the detectors."""
