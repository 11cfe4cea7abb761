"""The bench file, ``bench.toml`` in the user's folder: what holds for every job at this bench.

::

    [shop]                              # stands on top of every page
    name = "Invented Repairs"
    address = ["1 Example Road", "Nowhere"]
    phone = "000 0000"

``BENCHRIG_BENCH`` names another file. Tables this module does not know are left to others.
"""

from __future__ import annotations

import os
from pathlib import Path

from platformdirs import user_config_path
from pydantic import BaseModel, ConfigDict, Field

from benchrig.report.shop import ShopDetails
from benchrig.tomlfile import read_toml, validate


class _Shop(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    name: str = Field(default="", max_length=80)
    address: list[str] = Field(default_factory=list, max_length=5)
    phone: str = Field(default="", max_length=40)


class _Bench(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True, strict=True)

    shop: _Shop = Field(default_factory=_Shop)


def bench_path() -> Path:
    """Where the bench file is, there or not."""
    named = os.environ.get("BENCHRIG_BENCH", "")
    return Path(named) if named else user_config_path("benchrig", appauthor=False) / "bench.toml"


def shop_details() -> ShopDetails:
    """The shop of the bench file, empty where there is none; InputFileError names what is wrong."""
    path = bench_path()
    if not path.is_file() and not os.environ.get("BENCHRIG_BENCH"):
        return ShopDetails()
    shop = validate(read_toml(path), _Bench).shop
    return ShopDetails(name=shop.name, address=tuple(shop.address), phone=shop.phone)
