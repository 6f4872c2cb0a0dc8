"""The command read where the unit or the line does something wrong, or somebody stops it."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from tests import oracle
from tests.cli.reading import BROKEN, INTERRUPTED, OK, RIG, Read, files, loop_of, reader
from tests.cli.scripted import DEVICE, Host, scripted
from tests.cli.serving import dump, receive
from tests.jobs.bench import words


@pytest.fixture
def run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Read:
    return reader(tmp_path, monkeypatch, capsys)


def script_of(number: int, *, count: int = 121) -> list[bytes]:
    return dump(number, words(count), device_id=DEVICE)


def test_a_packet_that_was_damaged_on_the_way_is_asked_for_again(run: Read) -> None:
    header, first, second, *rest = script_of(5)
    wrong = second[:60] + bytes([second[60] ^ 1]) + second[61:]

    def script(host: Host) -> None:
        host.asks_for(5)
        host.takes(header)
        host.takes(first)
        host.takes(wrong, 1, answer="NAK")  # M1 p. 35
        host.takes_all([second, *rest])
        host.asks_more(5)
        host.hangs_up()

    with scripted(script) as target:
        assert run(target, "5", "one.syx", "--device-id", str(DEVICE)).code == OK
    assert Path("one.syx").read_bytes() == b"".join([header, first, second, *rest])


def test_a_dump_that_is_cancelled_is_not_written(run: Read) -> None:
    header, first, *_ = script_of(5)

    def script(host: Host) -> None:
        assert host.gets_it_torn(5, [header, first]) > 1

    with scripted(script) as target:
        said = run(target, "5", "one.syx", "--device-id", str(DEVICE))
    assert (said.code, files()) == (BROKEN, [])
    assert "did not arrive whole, so nothing was written: it ended after 1 packet." in said.out


def test_a_torn_one_among_others_counts(run: Read) -> None:
    header, first, *_ = script_of(5)

    def script(host: Host) -> None:
        host.asks_for(4)
        host.takes_all(script_of(4))
        host.asks_more(4)
        assert host.gets_it_torn(5, [header, first]) > 1

    with scripted(script) as target:
        said = run(target, "4-5", "desk", "--device-id", str(DEVICE), "--json")
    assert said.code == BROKEN
    assert files() == ["./desk/sample-0004.syx"]
    assert [each["result"] for each in said.document["samples"]] == ["read", "torn"]
    assert said.document["samples"][1]["file"] is None


def test_another_sample_than_the_one_asked_for_is_said(run: Read) -> None:
    def script(host: Host) -> None:
        host.asks_for(5)
        host.takes_all(script_of(6))
        host.asks_more(5)
        host.hangs_up()

    with scripted(script) as target:
        said = run(target, "5", "one.syx", "--device-id", str(DEVICE))
    assert said.code == BROKEN
    assert "broken: The unit was asked for sample 5 and sent one that it calls 6." in said.out
    assert "REQ-02" in said.out  # M1 p. 37
    assert Path("one.syx").read_bytes() == b"".join(script_of(6))


def test_what_breaks_the_standard_is_kept_and_said(run: Read) -> None:
    header, *packets = script_of(5)
    bad = header[:16] + oracle.n7(500, 3) + b"\x00\xf7"  # its loop ends beyond its end (M1 p. 37)

    def script(host: Host) -> None:
        for number, first in ((5, bad), (6, script_of(6)[0])):
            host.asks_for(number)
            host.takes_all([first, *packets])
            host.asks_more(number, name=number == 5)
        host.hangs_up()

    with scripted(script) as target:
        said = run(target, "5-6", "desk", "--device-id", str(DEVICE), "--json")
    assert Path("desk", "sample-0005.syx").read_bytes() == b"".join([bad, *packets])
    wrong, right = said.document["samples"]
    assert right["findings"] == []
    verdicts = [each["verdict"] for each in wrong["findings"]]
    assert "broken" in verdicts or "bent" in verdicts
    assert {each["answerable"] for each in wrong["findings"]} == {"unit"}
    assert wrong["result"] == ("broken" if "broken" in verdicts else "read")
    assert said.code == (BROKEN if "broken" in verdicts else OK)


def test_who_tells_no_name_is_asked_for_no_other(run: Read) -> None:
    loop = loop_of(5, device_id=DEVICE)

    def script(host: Host) -> None:
        host.asks_for(4)
        host.takes_all(script_of(4))
        host.asks_more(4)  # neither loops nor a name: silence
        host.asks_for(5)
        host.takes_all(script_of(5))
        host.asks_more(5, loop, name=False)  # which has a loop, and not in the extended form
        host.asks_for(6)
        host.takes_all(script_of(6))
        host.asks_more(6, extended=None, name=False)
        host.hangs_up()

    with scripted(script) as target:
        said = run(target, "4-6", "desk", "--device-id", str(DEVICE))
    assert said.code == OK
    assert Path("desk", "sample-0005.syx").read_bytes() == b"".join([*script_of(5), loop])
    assert "the loops of 2 samples and the names of 1 sample; it was not asked for" in said.out


def test_a_loop_that_comes_in_both_forms_is_kept_in_the_one_that_says_all(run: Read) -> None:
    same, other = loop_of(5, device_id=DEVICE), loop_of(5, device_id=DEVICE, loop=3)
    # Loop 3 is backward in truth, which the standard form can't say (CA-019 pp. 2-3).
    far = [
        loop_of(5, device_id=DEVICE, extended=True),
        loop_of(5, device_id=DEVICE, loop=3, kind=0x40, extended=True),
        loop_of(5, device_id=DEVICE, loop=4, kind=0x40, extended=True),
    ]

    def script(host: Host) -> None:
        host.asks_for(5)
        host.takes_all(script_of(5))
        host.asks_more(5, same, other, extended=b"".join(far))
        host.hangs_up()

    with scripted(script) as target:
        said = run(target, "5", "one.syx", "--device-id", str(DEVICE))
    assert said.code == OK
    assert Path("one.syx").read_bytes() == b"".join([*script_of(5), same, *far[1:]])
    assert ", 3 more loops" in said.out


def test_a_port_that_goes_away_leaves_what_came_whole(run: Read) -> None:
    header, first, *_ = script_of(5)

    def script(host: Host) -> None:
        host.asks_for(4)
        host.takes_all(script_of(4))
        host.asks_more(4)
        host.asks_for(5)
        host.takes_all([header, first])

    with scripted(script) as target:
        said = run(target, "4-9", "desk", "--device-id", str(DEVICE))
    assert said.code == RIG
    assert files() == ["./desk/sample-0004.syx"]
    assert Path("desk", "sample-0004.syx").read_bytes() == b"".join(script_of(4))
    assert "1 sample read from" in said.out
    assert "4 numbers not requested" in said.out
    assert said.err


def test_ctrl_c_tells_the_unit_and_what_was_written(run: Read) -> None:
    header, first, *_ = script_of(5)
    before = signal.getsignal(signal.SIGINT)

    def script(host: Host) -> None:
        host.asks_for(4)
        host.takes_all(script_of(4))
        host.asks_more(4)
        host.asks_for(5)
        host.takes_all([header, first])
        os.kill(os.getpid(), signal.SIGINT)
        cancel = oracle.handshake(device_id=DEVICE, kind="CANCEL")
        answer = receive(host.peer)
        assert (answer[:4], answer[5:]) == (cancel[:4], cancel[5:])
        host.hangs_up()

    with scripted(script) as target:
        said = run(target, "4-9", "desk", "--device-id", str(DEVICE))
    assert said.code == INTERRUPTED
    assert files() == ["./desk/sample-0004.syx"]
    assert (
        "did not arrive whole, so nothing was written: you stopped it after 1 packet." in said.out
    )
    assert "1 sample read from" in said.out
    assert signal.getsignal(signal.SIGINT) is before
