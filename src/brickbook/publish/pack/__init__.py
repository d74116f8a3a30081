"""The data pack of a charger: a zip file with figures, findings and raw files that anyone can read and check."""

from brickbook.publish.pack.make import PackMade, Tier, pack_path, renew_pack, write_pack
from brickbook.publish.pack.reading import Bounds, Pack
from brickbook.publish.pack.restore import Compared, compare_with, restore, result_of
from brickbook.publish.pack.tables import TABLES

__all__ = [
    "TABLES",
    "Bounds",
    "Compared",
    "Pack",
    "PackMade",
    "Tier",
    "compare_with",
    "pack_path",
    "renew_pack",
    "restore",
    "result_of",
    "write_pack",
]
