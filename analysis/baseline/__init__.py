"""The baseline: what the shop really did on the day it was measured, as factors on its design.

``tour`` guides the owner from step to step: ``plan`` says which gates each step sets, ``measuring`` measures it, ``status``
is what he is shown. ``fit`` turns the steps into a ``model.Baseline``, ``report`` says in words what differs from the
design.
"""
