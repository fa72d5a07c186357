"""Many packages: screened on Dask, kept as a Parquet data set, studied with DuckDB.

::

    discover.py   which packages a folder holds, and whose they are
    content.py    what a package is made of: its hash, its bytes for a worker elsewhere
    statements.py what the user states of packages beside their data
    run.py        hands packages to workers, writes what comes back, once each
    keeper.py     in a Dask worker: keeps the process that screens, ends it when it must
    child.py      that process: screens and judges one package after another
    dataset.py    the data set on disk
    judged.py     all packages of a data set judged at once, column by column
    costs.py      what each limit of a shop costs
    study.py      the answers
"""
