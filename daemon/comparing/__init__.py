"""The comparison of two periods of a shop: readings out of store or recordings, what is compared with what, reports.

``reading`` makes stretches, ``designs`` finds the drawings before and after, ``periods`` says what lies before and what
after, ``comparing`` puts them together, ``reports`` tells it. ``guided`` is the short tour before and after the work;
``desk`` the daemon's own check for the dashboard, ``checking`` its part in that tour.
"""
