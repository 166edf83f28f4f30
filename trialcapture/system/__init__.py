"""Everything that differs between Windows, macOS and Linux, and nothing else.

`operating_system` tells which one this is and asks it; `files` renames, makes safe and tells files apart;
`session_lock` keeps a session for one recorder; `keys` reads keys; `console` prints on any console and notices that
its window is closed; `power` keeps the computer awake and tells battery, sleep and the clocks that go on in it;
`sockets` joins groups and names firewalls; `folders` knows where systems and their programs keep things;
`serial_names` knows how systems name serial ports.

Each function takes the system's name, and what it calls there, as arguments with the true ones as defaults. So every
branch runs on every system in tests.
"""
