"""Floor E2: the rack unit, memory, slots, profile and front panel."""
