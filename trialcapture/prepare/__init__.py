"""From typed sentences to a trial set: one clock, one grid, flags, steady segments (pure)."""
