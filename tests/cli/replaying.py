"""The command replay in a folder with a few dumps: what two files of checks have in common."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from msgspec import Struct

from dryload.harness.cli.options import command_of
from dryload.harness.cli.replay import replay
from tests import oracle
from tests.jobs.bench import words

app = command_of(replay)


def dump(number: int, count: int = 121, *, bits: int = 16, device_id: int = 0) -> bytes:
    return oracle.dump(
        bits=bits,
        words=words(count, bits),
        sample_number=number,
        device_id=device_id,
        period_ns=22_676,
    )


class Said(Struct, frozen=True):
    code: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        parsed = json.loads(self.out)
        assert isinstance(parsed, dict)
        return parsed


Run = Callable[..., Said]
