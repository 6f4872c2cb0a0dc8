"""Floor E3: virtual time, the 31,250-baud cable and the simulated driver."""
