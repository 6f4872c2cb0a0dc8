"""The evening: from a folder of sounds to a unit that plays them."""
