"""From accepted segments to RPM bands: speed without current, fuel, economy, range, each with its uncertainty.

Read in the order of the work; `trial` shows it on one screen:

``bands``       which held rpm belong together
``runs``        the segments of one pass in one direction become one run
``pairs``       which runs are reciprocal, and what a classical double run or mean of means gives
``current``     the arithmetic of alternating runs (mean of means, least squares in time)
``vectorfit``   all runs at once: one speed per band and a current that changes slowly
``band_values`` direction-balanced means of rpm, fuel and log speed
``fuel``        calibration, economy, range, the most economical speed and how flat it is
``regime``      displacement, between, planing
``planing``     the slowest planing speed, where a slow run-down shows it
``conditions``  depth, wind, sea, trim: flags and warnings
``engines``     rated rpm, engine split, slip, propeller law and other plausibility lines
``load``        the load sheet
``budget``      the uncertainty budget per band
``tables``      schemas and CSV
``statistics``, ``water``, ``fuel_volume``  formulas from the literature
"""
