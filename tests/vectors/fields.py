"""All typed messages, and the exact length of each kind."""

from __future__ import annotations

from tests.vectors import fields_ca019, fields_m1
from tests.vectors.field_vector import FieldVector, Value

__all__ = ["ALL", "BY_NAME", "LENGTHS", "FieldVector", "Value"]

ALL: tuple[FieldVector, ...] = fields_m1.ALL + fields_ca019.ALL
BY_NAME: dict[str, FieldVector] = {vector.name: vector for vector in ALL}

# Whole messages on the line: bytes, nanoseconds at 320,000 ns a byte (M1 p. 1).
LENGTHS: dict[str, tuple[int, int]] = {
    "handshake": (6, 1_920_000),
    "dump_request": (7, 2_240_000),
    "header": (21, 6_720_000),
    "packet": (127, 40_640_000),
    "loop_points": (17, 5_440_000),
    "loop_points_request": (10, 3_200_000),
    "sample_name_request": (8, 2_560_000),
    "extended_header": (34, 10_880_000),
    "extended_loop_points": (21, 6_720_000),
    "extended_loop_points_request": (10, 3_200_000),
    "identity_request": (6, 1_920_000),
}
