"""Within how much of the mean a pulse counts as even. Loads nothing, since windows need it before anything else."""

from __future__ import annotations

EVEN_MARGIN_PERCENT = 5.0
