"""The emulated rack unit: the protocol on paper, both ends of a dump, the unit and the line."""
