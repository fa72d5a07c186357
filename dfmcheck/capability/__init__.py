"""Shop capability files: what a fabricator can make, per tier.

>>> sorted(shop_names())
['prototype', 'published', 'volume']
"""

from dfmcheck.capability.load import load_shop, parse_shop, shop_names
from dfmcheck.capability.shop import HoleAllowance, Limit, Range, Shop, Variant

__all__ = [
    "HoleAllowance",
    "Limit",
    "Range",
    "Shop",
    "Variant",
    "load_shop",
    "parse_shop",
    "shop_names",
]
