"""Prints the band table and writes the page a trial is defended with.

``terminal``         the RPM-band table for an 80-column screen
``page``             one self-contained HTML file: results, figures, evidence; also as PDF
``answers``          the answers on top of both, each with its uncertainty
``band_table``       the band table, and what a review changed in it
``comparison_sheet`` two trials or groups of them side by side: the sheet and the screen
``limits``           warnings, what is not known, stretches left out, points of dispute
``evidence_tables``  the tables behind the result: legs, clocks, data, load, conditions, budgets, checks
``figures``          what every drawing shares; beside it ``figures_results`` (any figure a result specifies, the band
                     curves, the current) and ``figures_trial`` (time line, track, clocks)
``format``           numbers, times and angles as text in the units of the reader; columns of tables, absent ones too
``sheet``            the trial sheet: one page, every number traced (``traced``), with its words (``sheet_words``)
``note_sections``    what people noted, as sections of the page
``combined_sheet``   a trial of several sessions, as a sheet and on the screen
``spreadsheet``      the results as a workbook
``track``            the track as GPX and GeoJSON
"""
