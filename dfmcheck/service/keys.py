"""API keys: long random words, kept only as their digest.

A key carries 256 random bits, so a plain SHA-256 of it cannot be searched for; the slow hashes
made for passwords would only slow down every request.
"""

from __future__ import annotations

import hashlib
import secrets

PREFIX = "dfm_"
LOCAL = "local"
"""The one client of a service without keys."""


def new_key() -> str:
    """A fresh key.

    Examples
    --------
    >>> len(new_key()), new_key() == new_key()
    (47, False)
    """
    return PREFIX + secrets.token_urlsafe(32)


def digest(key: str) -> str:
    """What is stored of a key: its SHA-256 in hex.

    Examples
    --------
    >>> digest("dfm_x")[:8]
    '228d4091'
    """
    return hashlib.sha256(key.encode("utf-8", "surrogatepass")).hexdigest()


def new_id() -> str:
    """An id that cannot be guessed: 128 random bits in hex."""
    return secrets.token_hex(16)
