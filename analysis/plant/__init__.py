"""A plant to practise on: a seeded shop of ducts, fan, bags, motor, sensors, a maker who works in it, and its faults.

It serves the demo, the tests and the benchmarks, so it shares no physics with the engine that it judges: it has its own
friction law, junction losses, fan curve form and motor. Nothing here reads a clock or a file; the same seed gives the
same shop, the same days and the same readings. ``simulate`` is the file to read first.
"""
