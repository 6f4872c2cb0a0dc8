"""Whether a JACK server is there, from lists of sockets as the kernel prints them (proc(5))."""

from __future__ import annotations

from pathlib import Path

import pytest

from dryload.emulator.ports.presence import JackServer

HEAD = "Num       RefCount Protocol Flags    Type St Inode Path\n"
OTHER = "00000000a5cb0993: 00000002 00000000 00010000 0001 01 11 /run/other/socket\n"
LISTENS = "00000000a5cb0994: 00000002 00000000 00010000 0001 01 12 {path}\n"
CLIENT = "0000000088f4409d: 00000003 00000000 00000000 0001 03 13 {path}\n"
UNNAMED = "0000000088f4409e: 00000003 00000000 00000000 0001 03 14\n"


@pytest.fixture
def path(monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "lantern")
    monkeypatch.setattr("os.getuid", lambda: 1000)
    return "/dev/shm/jack_lantern_1000_0"


def test_a_server_that_goes_is_missed(tmp_path: Path, path: str) -> None:
    sockets = tmp_path / "unix"
    sockets.write_text(HEAD + OTHER + UNNAMED + LISTENS.format(path=path))
    server = JackServer(sockets)
    assert server.is_there()
    # The ends of its clients bear its name for a while.
    sockets.write_text(HEAD + OTHER + CLIENT.format(path=path))
    assert not server.is_there()


@pytest.mark.parametrize("listed", [None, HEAD + OTHER, HEAD + OTHER + CLIENT])
def test_a_server_that_was_never_seen_counts_as_there(
    tmp_path: Path, path: str, listed: str | None
) -> None:
    sockets = tmp_path / "unix"
    if listed is not None:
        sockets.write_text(listed.format(path=path))
    assert JackServer(sockets).is_there()
