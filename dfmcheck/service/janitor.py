"""Deletes what is past its time, and what a crash left lying about."""

from __future__ import annotations

import logging
import threading
import time

from dfmcheck.service.folder import DataFolder
from dfmcheck.service.model import FINAL, JobStore, Unavailable
from dfmcheck.service.settings import Settings

LOG = logging.getLogger("dfmcheck.service.janitor")
_EVERY_S = 30.0
_GRACE_S = 3600.0
"""A folder without a row is left alone so long: its job may just be being accepted."""

_STRANGERS = 8
"""So many folders, none of which the store knows, are not what a crash left: the service was
pointed at another database than the one its data folder belongs to."""


def sweep(
    store: JobStore, folder: DataFolder, settings: Settings, grace_s: float = _GRACE_S
) -> None:
    """One round; it may run in several servers at once."""
    expired = store.expire(store.now() - settings.retention_h * 3600)
    on_disk = folder.job_ids()  # before the rows, so that a job accepted meanwhile has both
    rows = store.folders()
    if len(on_disk) >= _STRANGERS and not any(id_ in rows for id_ in on_disk):
        LOG.error(
            "none of %d job folders is known to this store; nothing is swept: correct the "
            "address of the store or the data folder", len(on_disk),
        )  # fmt: skip
        return
    for id_ in on_disk:
        state, result = rows.get(id_, ("", ""))
        if state == "deleted" or (not state and folder.age(id_) > grace_s):
            folder.remove(id_)
        elif state in FINAL:
            folder.keep_only(id_, result, package=settings.keep_package)
    gone = [
        id_
        for id_, (state, _) in rows.items()
        if state == "deleted" and not folder.job(id_).exists()
    ]
    store.purge(gone)
    folder.clear_incoming(settings.upload_time_s + 60)
    if expired or gone:
        LOG.info("%d jobs past their time, %d deleted for good", expired, len(gone))


class Janitor:
    """Sweeps every half minute in a thread."""

    def __init__(self, store: JobStore, folder: DataFolder, settings: Settings) -> None:
        self._parts = (store, folder, settings)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._keep, name="janitor", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(10)

    def _keep(self) -> None:
        while True:
            began = time.monotonic()
            try:
                sweep(*self._parts)
            except Unavailable as error:
                LOG.warning("sweep put off: %s", error)
            except Exception as error:
                LOG.error("sweep failed (%s)", type(error).__name__)
            if self._stop.wait(max(_EVERY_S, 10 * (time.monotonic() - began))):
                return
