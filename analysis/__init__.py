"""What the numbers mean: pure functions and small state holders, SI units throughout.

Nothing in this package reads a file, opens a socket, asks the wall clock or draws an unseeded random number. Time
arrives as an argument (seconds since 1970-01-01 UTC, *event time*), so live running, replay, simulation and tests walk
the same code.
"""
