"""Screens packages that arrive over HTTP: pages, interface, job store, workers."""
