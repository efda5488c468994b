"""Before against after: did a change to the ducts cost the ports their air, and how much of it was the filter?

``steady`` turns frames into stretches of steady running with known gates, ``effects`` is what the engine says of a change
in a few possible shops, ``difference`` fits the change to the readings, ``answer`` says it in three lines.
"""
