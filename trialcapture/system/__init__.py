"""Everything that differs between Windows, macOS and Linux, and nothing else.

`operating_system` tells which one this is and asks it, and knows how systems name serial ports; `files` renames, makes
safe and tells files apart, and knows where systems and their programs keep things; `session_files` is the one door to
the files of a session, and keeps it for one recorder; `console` prints on any console, reads keys and notices that its
window is closed; `power` keeps the computer awake and tells battery, sleep and the clocks that go on in it; `sockets`
joins groups and names firewalls.

Each function takes the system's name, and what it calls there, as arguments with the true ones as defaults. So every
branch runs on every system in tests.
"""
