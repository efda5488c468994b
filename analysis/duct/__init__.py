"""The duct engine: what a drawn duct system should read and carry, from first principles, in SI units.

``design`` describes it, ``network`` checks it and ``tree`` gives the order to walk it in; ``solve`` finds its operating
point for one gate set or many at once (``coefficients`` boils a design down to a table, ``single`` and ``batch`` solve
that); ``uncertainty`` says how uncertain the answer is. The parts' own physics stand in ``friction``, ``fittings``,
``openings``, ``gates``, ``junctions``, ``fan``, ``filter``, ``motor``.
"""
