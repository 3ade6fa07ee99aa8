"""The embedded store: one SQLite file that holds readings, refused payloads, visits, events and the outbox.

Decision: SQLite through ``apsw``, not through the standard library's ``sqlite3``
    Context: the builds of SQLite from 3.7.0 to 3.51.2 can corrupt a file in WAL mode when one connection
    writes while another resets the log ("WAL-reset bug", release note of 3.51.3), and the interpreters of
    current Linux distributions carry such builds. ``apsw`` brings a current SQLite in its wheel.
    Decision: ``apsw`` only; `monitor.store.database` refuses to open a file with an older library.
    Consequences: never open the same file with ``sqlite3`` inside this process (two copies of the library
    do not see each other's POSIX locks); another process may, read-only.

Decision: ``synchronous=FULL``
    What a method returned from is on the disk: a message is acknowledged to the broker only after that.
    ``NORMAL`` would survive a killed process but lose committed rows when the power fails.

Decision: the first value of a (site, point, time) stays
    A broker hands a message over at least once, so the same key comes again after every crash. Ignoring
    the repeat makes that harmless, and a reading that was analysed and alerted on never changes afterwards.
    A reading with a number is known by that, and kept apart where its time was told before: see `DEVELOPERS.md`.
"""
