"""The public package of dryload follows here; until then it only starts the command line."""
