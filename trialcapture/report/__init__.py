"""Prints the band table and writes the page a trial is defended with.

``terminal``      the RPM-band table for an 80-column screen
``page``          one self-contained HTML file: results, figures, evidence
``view``          what the page says of the trial as a whole, as plain values; beside it ``answers`` (the top of
                  the page), ``band_rows`` (the band table), ``dispute`` and ``evidence`` (the last part)
``conditions``    wind, sea, water and the rest of the day in plain words
``figures*``      the drawings, as inline SVG; ``figures_early`` those that need no result
``format``        numbers, units, times and angles as text
``columns``       Arrow columns as NumPy arrays, absent ones included
"""
