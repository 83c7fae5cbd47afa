"""Parts: amounts with units, packs, replaced numbers, and what fits this machine."""
