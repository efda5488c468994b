"""From readings to the state of the shop: flow, filter drag, open gates, what was expected and the gap.

``estimator`` is the file to read first; ``response`` holds what the design expects for every gate set, ``weigh``
judges the gate sets, ``slow`` carries the drag, ``blocks`` averages and sees steps, ``rezero`` and ``ambient`` prepare
readings. """
