"""A simulated boat on trial: motion from forces, sensors with their faults, sessions with the truth beside them.

``boats``, ``hull``, ``sea``        what the simulation is made of
``motion``                          what is ordered, who handles it, and how the boat moves, with waves and without
``truth``                           what a perfect reduction would find
``instruments``, ``enginelog``      what sensors and the engine logger make of it
``faults``                          what is wrong with them, by name
``scenarios``, ``simulate``         named trials, and the one call that runs them and puts sentences on their wires
``write``, ``play``, ``samples``    to disk, live on a port, and the files of ``sample_logs/``
"""
