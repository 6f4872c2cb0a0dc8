"""The same transfers over every real way to a unit, with the commands that people use."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests import oracle
from tests.cli.runs import ROOT
from tests.lanes.lane import Lane
from tests.lanes.processes import replay, serving

pytestmark = pytest.mark.port

GOOD = ROOT / "captures_demo" / "good"
SHORT = "bell-stroke.syx"  # 56 packets, over a line of 31,250 baud
LONG = "ships-bell-8-bit.syx"  # 368 packets, so numbers wrap twice; as fast as the lane is


def dump_in(file: Path) -> oracle.ReadDump:
    """Return what header and packets of a file say; a name may stand behind them ."""
    messages = [message for _, message in oracle.split(file.read_bytes())]
    return oracle.read_dump(b"".join(each for each in messages if each[3] in (0x01, 0x02)))


@pytest.mark.parametrize(("name", "options"), [(SHORT, ()), (LONG, ("--no-pace",))])
def test_a_dump_is_loaded_and_read_back_the_same(
    lane: Lane, name: str, options: tuple[str, ...], tmp_path: Path
) -> None:
    sent = dump_in(GOOD / name)
    with serving(lane, tmp_path, *options) as unit:
        code, document = replay(lane, tmp_path, str(GOOD / name), *options)
        said = unit.quit()
    (transfer,) = document["transfers"]
    seen = {key: transfer[key] for key in ("outcome", "verified", "reason", "packets")}
    print(lane.target, seen, transfer["time"])
    assert (transfer["outcome"], transfer["verified"]) == ("loaded", True), seen
    assert code == 0
    packets = transfer["packets"]
    assert packets["sent"] == packets["planned"] == oracle.packet_count(sent.length, sent.bits)
    assert packets["resent"] == 0 or not lane.is_clean
    (held,) = said[-1]["samples"]
    assert (held["words"], held["bits"]) == (len(sent.words), sent.bits)
