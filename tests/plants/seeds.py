"""Which seeds may be looked at."""

from __future__ import annotations

from typing import Final

__all__ = ["HELD_BACK", "TUNING"]

TUNING: Final = range(1500)
"""To choose constants on, and to look at run by run."""
HELD_BACK: Final = range(1500, 2000)
"""Never looked at until all is chosen; what is reported is measured on these."""
