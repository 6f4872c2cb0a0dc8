"""The commands under test as processes, started as a user starts them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from tests.cli.forked import Forked
from tests.foreign.process import ROOT, Running, environment

_HUNG_S: Final = 240


@dataclass(frozen=True, slots=True, kw_only=True)
class Replayed:
    """What `dryload replay --json` said, and how it ended."""

    code: int
    document: dict[str, Any]
    err: str

    @property
    def transfer(self) -> dict[str, Any]:
        """The only transfer."""
        (transfer,) = self.document["transfers"]
        assert isinstance(transfer, dict)
        return transfer

    @property
    def told(self) -> str:
        """Everything that is said of it in words."""
        words = [str(value) for value in self.transfer.values() if isinstance(value, str)]
        return "\n".join([*words, *(each["message"] for each in self.transfer["findings"])])


def replay(file: Path, port: str, *options: str, jack: str | None = None) -> Replayed:
    """Play a file to a port."""
    process = Forked(
        ["replay", str(file), "--to", port, "--json", *options],
        cwd=ROOT,
        env={**environment(jack), "XDG_STATE_HOME": str(file.parent)},  # where journals go
    )
    with process:
        try:
            out, err = process.communicate(_HUNG_S)
        finally:
            process.kill()
    assert out, err
    return Replayed(code=process.wait(), document=json.loads(out), err=err)


@contextmanager
def serving(*options: str, jack: str | None = None) -> Iterator[Running]:
    """Start `dryload serve` and end it as SIGTERM does."""
    words = ("serve", *options)
    with Forked(
        words, cwd=ROOT, env=environment(jack), has_stdin=True, has_stderr=False
    ) as process:
        try:
            yield Running(process)
        finally:
            if process.poll() is None:
                process.terminate()
                process.wait(20)


def ended(unit: Running) -> list[dict[str, Any]]:
    """Let a serving process end; return all its lines after the first."""
    process = unit.process
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write("quit\n")
    process.stdin.flush()
    lines = [json.loads(line) for line in process.stdout]
    assert process.wait(20) == 0
    return lines
