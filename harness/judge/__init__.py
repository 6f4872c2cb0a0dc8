"""Floor H1: findings, the judge of a stream, alignment and diff."""
