"""An archive of many sessions, in its long form: see `tests.fleet.__main__`."""
