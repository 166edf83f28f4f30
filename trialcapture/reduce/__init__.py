"""From accepted segments to RPM bands: speed without current, fuel, economy, range, each with its uncertainty.

In the order of the work; ``reduction`` puts them together:

``runs``                   accepted segments (legs), passes in one direction (runs), reciprocal runs and their mean;
                           times in neutral, when the drift shows the current, and the wind at the runs
``bands``                  which held rpm belong together, as read or as relabelled; means that balance both ways; fuel
``vectorfit``              all runs at once: band speeds, and a current that changes, at any time
``budget``                 what the uncertainty is made of; standard errors in two ways; refused runs back
``current_evidence``       the current shown both ways: sequence by sequence, and the fit
``conditions``             depth, wind, sea, water, trim, load sheet
``engine_checks``          rated rpm, split, slip, figures outside the usual; economy, and how flat the best one is
``note_record``            what people noted, tied to bands, legs and manoeuvres
``reduction``              the order of the work, and the result as people reviewed it beside the automatic one
``combined_bands``         one band table of several sessions, where they agree
``session_comparison``     two trials or two groups of them at equal engine speed, and whether they differ
``air_drag``               what the wind costs in a mean of both ways, for trials in different winds
``tables``                 schemas and CSV of the tables, and what may be said against a row
``summary``                what ``summary.json`` holds, typed; JSON and JSON Schema at the edge
``uncertainty``            means of angles and combination of uncertainties, from the literature
"""
