"""From typed sentences to a trial set: one clock, one grid, flags, steady segments; pure.

``clocks``    when each sentence and each row of an engine log was, on UTC
``channels``  which source each channel is taken from, whether it can be believed, and its values on the uniform grid
``steady``    where rpm and course were held and the speed had settled

``trial_alignment`` decides what must be known of a whole trial before it can be gridded; ``data_health`` is the account
of what is wrong with the data; ``sample_statistics`` has means and spreads of autocorrelated and circular samples.
"""
