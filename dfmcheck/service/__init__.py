"""The gate: a web service that screens packages for many clients.

::

    app.py         puts the web side together: api.py (JSON), pages.py (HTML), guard.py (keys)
    upload.py      takes a package from the wire to the disk, never whole in memory
    store/         the jobs, behind one interface: SQLite or PostgreSQL
    folder.py      packages and results on disk; no name on disk comes from a client
    worker.py      takes jobs, one at a time, and watches over the process that runs one
    child.py       that process: screens, judges, writes the results
    supervisor.py  keeps the worker processes of one server running
    janitor.py     deletes what is past its time
"""
