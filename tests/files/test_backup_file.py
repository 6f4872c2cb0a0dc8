"""The list of a backup: what is written is what Python's own reader of TOML finds, and we do."""

from __future__ import annotations

import tempfile
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from dryload.harness.files import backup_file
from dryload.harness.files.backup_file import BackupList, ListedSample

NAMES = st.text(st.characters(max_codepoint=127), max_size=127)  # CA-019 p. 4
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)
TIMES = st.datetimes(min_value=datetime(1970, 1, 1), timezones=st.just(UTC))
SAMPLES = st.builds(
    ListedSample,
    number=st.integers(0, 16_383),  # M1 p. 37
    name=NAMES,
    file=st.from_regex(r"sample-[0-9]{4}\.syx", fullmatch=True),
    words=st.integers(0, 1 << 35),
    bits=st.integers(8, 28),
    channels=st.integers(1, 127),
    period_ns=st.none() | st.integers(0, 2_097_151),
    rate_hz=st.none() | st.floats(0, 1e9, exclude_min=True),
    loop=TEXTS,
    more_loops=st.integers(0, 16_382),
    not_told=st.lists(TEXTS, max_size=2).map(tuple),
    sha256=st.from_regex("[0-9a-f]{64}", fullmatch=True),
    when=TIMES,
)
LISTS = st.builds(
    BackupList,
    schema=st.just(backup_file.SCHEMA),
    target=TEXTS,
    device_id=st.integers(0, 127),
    began=TIMES,
    requested=TEXTS,
    complete=st.booleans(),
    why_not=st.lists(TEXTS, max_size=3).map(tuple),
    cannot_tell=st.lists(TEXTS, max_size=3).map(tuple),
    samples=st.lists(SAMPLES, max_size=4, unique_by=lambda each: each.number).map(tuple),
)


@given(LISTS)
def test_what_is_written_is_what_is_read(held: BackupList) -> None:
    with tempfile.TemporaryDirectory() as folder:
        backup_file.write(folder, held)
        document = tomllib.loads(Path(folder, "contents.toml").read_text(encoding="utf-8"))
        assert backup_file.load(folder) == held
    wanted = msgspec.to_builtins(held, builtin_types=(datetime,))
    for each in (wanted, *wanted.get("sample", ())):
        for name in [name for name, value in each.items() if isinstance(value, tuple)]:
            each[name] = list(each[name])
    assert document == wanted
