"""Floor E4: real time and real ports; nothing below reads a clock or does I/O."""
