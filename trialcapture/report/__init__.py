"""Prints the band table and writes the page a trial is defended with.

``terminal``         the RPM-band table for an 80-column screen
``page``             one self-contained HTML file: results, figures, evidence
``answers``          the answers on top of both, each with its uncertainty
``band_table``       the band table, and what a review changed in it
``comparison_sheet`` two trials or groups of them side by side: the sheet and the screen
``limits``           warnings, what is not known, stretches left out, points of dispute
``evidence_tables``  the tables behind the result: legs, clocks, data, load, conditions, budgets, checks
``figures``          what every drawing shares; beside it ``figures_results`` (any figure a result specifies, the band
                     curves, the current) and ``figures_trial`` (time line, track, clocks)
``reader_units``     what each quantity is printed in, and numbers converted once and rounded after
``format``           numbers, units, times and angles as text
``arrow_columns``    Arrow columns as NumPy arrays, absent ones included
"""
