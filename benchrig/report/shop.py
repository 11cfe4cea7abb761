"""Whose page it is: the shop as the bench file names it. Empty where nobody has written it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopDetails:
    """Name and address as they shall stand on a page."""

    name: str = ""
    address: tuple[str, ...] = ()
    phone: str = ""

    @property
    def lines(self) -> tuple[str, ...]:
        """Below the name, a line each."""
        return (*self.address, *([self.phone] if self.phone else []))


NO_SHOP = ShopDetails()
