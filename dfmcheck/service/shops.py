"""The shops a client may choose from, by name only."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

from dfmcheck.capability import Shop, load_shop, shop_names
from dfmcheck.errors import UsageError


@dataclass(frozen=True)
class Shops:
    """The shipped shops and the files the operator named."""

    files: tuple[str, ...] = ()

    @cached_property
    def known(self) -> dict[str, Shop]:
        """Shops by name; a file of the operator's outweighs a shipped shop of the same name."""
        loaded = (load_shop(name) for name in (*shop_names(), *self.files))
        return {shop.name: shop for shop in loaded}

    def load(self, name: str) -> Shop:
        """The shop of this name; UsageError where there is none."""
        if name in self.known:
            return self.known[name]
        raise UsageError(
            f"no shop is called '{name}'", _one_of(self.known), _near(name, self.known)
        )

    def tier(self, shop: str, tier: str | None) -> str:
        """A tier of the shop, its default where none is given; UsageError where there is none."""
        loaded = self.load(shop)
        if not tier:
            return loaded.default_tier
        if tier in loaded.tiers:
            return tier
        raise UsageError(
            f"the shop '{shop}' has no tier '{tier}'",
            _one_of(loaded.tiers),
            _near(tier, loaded.tiers),
        )


def _one_of(names: Iterable[str]) -> str:
    return "one of " + ", ".join(sorted(names))


def _near(name: str, names: Iterable[str]) -> str:
    near = difflib.get_close_matches(name, list(names), n=1)
    return f"Did you mean '{near[0]}'?" if near else "Choose one of these."
