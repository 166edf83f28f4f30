"""The desk: one local web page for the whole trial day, at the dock, under way and afterwards.

It runs as a process of its own beside the recorder: it reads what the recorder appends and appends entries to a file
of its own, so it can be killed at any moment. Nothing comes from the net.

`server` puts it together and runs it. `access` says who may see it and who may enter something. `board_stream` sends
the board. `entries` takes what people enter, and knows which settings and session the desk is opened on, and its pages,
which lie in ``pages/``. `dock` and `after` are the pages before and after the trial, with their forms (`dock_forms`,
`engine_log_forms`) and work (`jobs`).
"""
