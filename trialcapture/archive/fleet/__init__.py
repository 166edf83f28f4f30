"""An archive of many sessions, in a folder or in an object store (``s3://bucket/prefix``).

Its objects, by name below the folder or prefix:

    archive.json                            says that this is an archive, and of which layout
    commits/<key>/0001.json                 revision 1 of a session: its id, its files with size and SHA-256, its root,
                                            what `verify` said of it; 0002.json is what it was changed to later
    commits/<key>/0001-results-0001.json    results of revision 1: their files, the versions and settings they were made
                                            with; 0001-results-0002.json stands beside it after `archive process`
    files/<key>/<sha256>                    every file that a commit names, by the hash of its content
    index/current.json                      names the index in force and the hashes of its files
    index/<generation>/<table>.parquet      sessions, bands, segments, segment_engines, manoeuvres, notes; derived

``<key>`` is made of the session's id: plain letters of it, and the first digits of its hash.

Files are written first and read back, the commit last and only where none of that number is: an add that is cut short
leaves files that nothing names, and the next one uses them. Neither a commit nor a file is ever changed. Two programs
that add the same session write equal files, and one of them finds the commit of the other.

`object_store` knows the two kinds of place, `fleet_archive` what the objects mean (open an archive, list and read
revisions and results, fetch a session, put results beside the old), `fleet_adding` takes sessions in, `fleet_index`
makes the index, `fleet_query` asks it questions, `fleet_checking` verifies and mirrors. Sessions come from strangers:
what is wrong with one of them is named and stops no other.
"""
