"""Before against after: did a change to the ducts cost the ports their air, and how much of it was the filter?

``stretch`` turns blocks of frames into stretches of steady running with known gates; ``surface`` and ``unknowns`` are
what the design says of both periods; ``fit`` solves for what changed; ``judge`` says it as intervals; ``verdict`` says it
in words. ``resample``, ``tests`` are the plain statistics; ``changes`` finds the moments of unknown changes.
"""
