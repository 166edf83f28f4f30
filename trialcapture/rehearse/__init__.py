"""A simulated boat on trial: motion from forces, sensors with their faults, sessions with the truth beside them.

``boats``, ``hull``, ``propulsion``, ``sea``    what the simulation is made of
``plan``, ``helm``, ``engineroom``, ``forces``  what is ordered, who handles it, and what answers
``motion``, ``ride``                            how the boat moves, without waves and with them
``truth``                                       what a perfect reduction would find
``kit``, ``receivers``, ``instruments``         what sensors make of it, as NMEA 0183 sentences
``lines``, ``enginelog``                        what reaches the laptop, and what the engine logger keeps
``calibration``                                 what is wrong with every reading of a trial alike
``scenarios``, ``settings``, ``simulate``       named trials, and the one call that runs them
``write``, ``play``, ``outlets``                to disk, or live on a port
"""
