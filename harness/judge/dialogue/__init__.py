"""The judge of a conversation: both directions of a line, message by message, with times."""
