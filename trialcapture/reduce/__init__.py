"""From accepted segments to RPM bands: speed without current, fuel, economy, range, each with its uncertainty.

In the order of the work; ``trial`` shows it on one screen:

``legs``, ``bands``, ``runs``                 accepted segments, which held rpm belong together, passes in one direction
``pairs``, ``current``                        reciprocal runs, and what mean of means or least squares makes of them
``current_model``, ``observations``, ``whitening``, ``vectorfit``  all runs at once: band speeds and a changing current
``band_values``, ``fuel``, ``regime``         direction-balanced means, economy and range, displacement or planing
``slow_runs``, ``hump``, ``planing``          the slowest planing speed, where a slow run shows it; else why not
``budget``, ``current_evidence``              what the uncertainty is made of, and the current shown both ways
``standard_errors``                           blocking beside the effective sample size, for every band
``conditions``, ``engines``, ``load``, ``speed_log``  depth, wind, sea, trim, rated rpm, load sheet, the boat's log
``flags``, ``trial_warnings``, ``summary``, ``tables``  what is said about it all, and in which form
``statistics``, ``water``, ``performance``    formulas from the literature
"""
