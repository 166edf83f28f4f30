"""Mutants: the product with one decision changed, each of which some test must notice.

``python -m tests.mutants`` changes one thing at a time in a private copy of the tree and runs the tests mapped to the
changed file there. A mutant that no test notices has *survived*: either a test is missing, or the code decides nothing.

``named``      changes described by the decision they take away, found by code and not by line
``drawn``      changes drawn by a seed from every comparison, number and removable check of six packages
``mapping``    which tests a file's mutants are run against
``running``    the private copies and the runs
``recording``  a pytest plugin that writes how long every test file takes
"""
