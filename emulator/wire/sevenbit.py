"""Integers in 7-bit groups, least significant group first (HDR-12; M1 p. 37)."""


def to_groups(value: int, groups: int) -> bytes:
    """Return `value` as `groups` bytes of 7 bits, low group first; ValueError if too large."""
    if not 0 <= value < 1 << (7 * groups):
        raise ValueError(f"{value} does not fit in {groups} groups of 7 bits")
    return bytes([value >> shift & 0x7F for shift in range(0, 7 * groups, 7)])


def from_groups(groups: bytes) -> int:
    """Return the integer that 7-bit groups, low group first, stand for."""
    value = 0
    for group in groups[::-1]:
        value = value << 7 | group & 0x7F
    return value
