"""The comparison of two periods of a shop: readings out of store or recordings, what is compared with what, reports.

``periods`` says what lies before and what after and makes stretches of it, ``designs`` finds the drawings of both,
``comparing`` puts them together, ``reports`` tells it. ``guided`` is the short tour before and after the work;
``desk`` the daemon's own check for the dashboard, ``checking`` its part in that tour.
"""
