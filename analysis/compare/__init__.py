"""Before against after: did a change to the ducts cost the ports their air, and how much of it was the filter?

``stretch`` turns blocks of frames into stretches of steady running with known gates; ``surface`` and ``unknowns`` are
what the design says of both periods. ``fit`` solves for what changed: ``grid`` asks the engine about a vector of
unknowns, ``problem`` holds that against what was measured, ``solve`` finds the vector, ``fitted`` is what it found.
``judge`` says it as intervals, ``verdict`` in words. ``resample`` and ``mixture`` are the plain statistics; ``changes``
finds the moments of unknown changes.
"""
