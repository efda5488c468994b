"""The duct engine: what a drawn duct system should read and carry, from first principles, in SI units.

``design`` describes it, ``network`` checks it, ``solve`` finds its operating point for one gate set or many at once.
"""
