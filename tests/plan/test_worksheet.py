"""The worksheet: what is on it, in both forms, and of what it warns."""

from __future__ import annotations

from fractions import Fraction
from html.parser import HTMLParser

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from dryload.emulator.dump.sample import Loop
from dryload.emulator.unit.memory import Region
from dryload.emulator.unit.panel import MapLine
from dryload.harness.plan.evening import NotPlanned
from dryload.harness.plan.keys import Keys, MiddleC, key_name
from dryload.harness.report.worksheet import text_of, worksheet
from dryload.harness.report.worksheet_page import page_of
from tests.plan.evenings import evening, planned

KEY = st.integers(0, 127)
LOOP = Loop(start=12_000, end=24_000, loop_type=0)
DESK = evening(
    planned(1, keys=Keys(60, 0, 65), loop=LOOP),
    planned(2, name="Gulls", rate=Fraction(22_050), keys=Keys(72, 66, 90), peak_db=None),
)


class Reader(HTMLParser):
    """A plain reading of a page: its cells row by row, its words, and the tags that stay open."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.open: list[str] = []
        self.words = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in ("meta",):
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] in ("td", "th"):
            self.rows[-1][-1] += data
        if "style" not in self.open:
            self.words += data


def test_the_text_is_what_stands_at_the_unit() -> None:
    text = text_of(worksheet(DESK, "evening.toml"))
    steps, _, rest = text.partition("\nLook at this before you assign keys\n")
    lines = (steps + rest[rest.index("\nSamples") :]).splitlines()
    assert lines[:24] == [
        "Worksheet: lantern-desk",
        "=======================",
        "",
        "The plan: evening.toml.",
        "2 samples. Middle C, key 60, is called C4 here; units differ by an octave.",
        "",
        "[ ] 1. Initialise the memory at the unit's panel. CAUTION: this wipes every",
        "       sample in it. Save what it holds before: dryload read --from midi:PORT",
        "       --sample all -o FOLDER.",
        "[ ] 2. Send: dryload replay evening.toml --to midi:PORT. It takes 3 min 0.0 s",
        "       with reading back.",
        "[ ] 3. Assign: type in the root, the lowest and the highest key of each sample.",
        "       No message of the standard carries them.",
        "[ ] 4. Turn the volume down before you press the first key, then up little by",
        "       little.",
        "",
        "Samples, in the order of sending (S sent and A assigned)",
        "",
        " S    A   slot  number  name     root     lowest    highest",
        "[ ]  [ ]     1       0  Thunder  C4 (60)  C-1 (0)   F4 (65)",
        "                        1.00 s; level -3.1 dB; loop 12,000 to 24,000, forward,",
        "                        one way; folds from C#4 (61) up",
        "[ ]  [ ]     2       1  Gulls    C5 (72)  F#4 (66)  F#6 (90)",
        "                        1.00 s; level silence; loop none; folds from C#6 (85) up",
    ]


def test_confirming_stands_where_the_panel_asks_for_it() -> None:
    plan = evening(planned(), unit="stage-door", visits=1)
    sheet = worksheet(plan)
    assert [step.split()[0] for step in sheet.steps] == [
        *("Initialise", "Send:", "Confirm", "Assign:", "Turn"),
    ]
    assert sheet.ticks == ("sent", "confirmed", "assigned")
    assert "with reading back and 1 walk to the unit" in sheet.steps[1]
    assert "Confirm" not in " ".join(worksheet(evening(planned())).steps)


def test_what_is_kept_is_not_wiped() -> None:
    kept = (MapLine(Region(0, 900), "sample", 7), MapLine(Region(900, 2_096_252), "free"))
    after = (*kept[:1], MapLine(Region(900, 44_100), "sample", 1))
    sheet = worksheet(evening(planned(), holds="desk.image", before=kept, after=after))
    assert sheet.steps[0] == "Do not initialise the memory: the plan keeps what is there."
    assert "CAUTION" not in text_of(sheet)
    for said in (text_of(sheet), Reader(page_of(sheet)).words):
        assert "slot 7, there already" in said
        assert "only the unit can show" in " ".join(said.split())
        assert "Before:" in said or "Memory before" in said


@pytest.mark.parametrize(
    ("unit", "name", "cut"),
    [
        ("lantern-desk", "Thunder behind the hills", "Thunder behind t"),  # 16 signs
        ("prompt-box", "Thunder behind", "Thunder "),  # 8
        ("old-curtain", "Thunder", "(thunder.wav)"),  # keeps no names: the file, for the reader
    ],
)
def test_a_name_is_cut_as_the_unit_cuts_it(unit: str, name: str, cut: str) -> None:
    sheet = worksheet(evening(planned(name=name), unit=unit))
    assert sheet.rows[0].name == cut
    assert ("type in the name" in " ".join(sheet.steps)) == cut.startswith("(")


def test_the_octave_of_middle_c_is_said() -> None:
    for middle in MiddleC:
        said = text_of(worksheet(DESK, middle=middle))
        assert f"is called {middle} here;" in said
        assert f"{middle} (60)" in said


@example("<b>&amp;", "<i>.wav")
@given(st.text(max_size=40), st.text(min_size=1, max_size=40))
def test_no_name_breaks_the_page_or_the_text(name: str, file: str) -> None:
    left = NotPlanned(file=file, dump=None, why="<does> not & fit", is_well=False)
    sheet = worksheet(evening(planned(name=name, file=file), left_out=(left,)), file)
    text = text_of(sheet)
    assert text.isascii()
    assert all(sign == "\n" or sign.isprintable() for sign in text)
    page = Reader(page_of(sheet))
    assert page.open == []
    assert [cell for cell in page.rows[1] if cell][:3] == [
        *filter(None, ("1", "0", sheet.rows[0].name, "C4 (60)")),
    ][:3]
    assert "<does> not & fit" in page.words


@given(
    st.lists(
        st.builds(
            planned,
            st.none() | st.integers(1, 16_384),
            number=st.integers(0, 16_383),
            name=st.text("abcXYZ 0123456789", max_size=127),
            rate=st.sampled_from([Fraction(8_000), Fraction(44_100), Fraction(10**9, 22_675)]),
            loop=st.sampled_from([LOOP, Loop(start=0, end=(1 << 28) - 1, loop_type=0x43)]),
            duration_s=st.floats(0, 90_000),
        ),
        max_size=8,
    )
)
def test_no_line_of_the_text_is_too_long_and_both_forms_say_the_same(samples: list[object]) -> None:
    sheet = worksheet(evening(*samples, unit="stage-door"))  # type: ignore[arg-type]
    text = text_of(sheet)
    assert max(map(len, text.splitlines())) <= 80
    head, *rows = Reader(page_of(sheet)).rows
    assert head[:5] == ["sent", "confirmed", "assigned", "slot", "no."]
    assert len(rows) == len(samples) == text.count("[ ]  [ ]  [ ]  ")
    for row, said in zip(sheet.rows, rows, strict=True):
        assert said == ["", "", "", *row]


@given(
    st.lists(
        st.tuples(
            st.integers(1_000, 200_000),
            st.integers(0, 127),
            st.integers(0, 127),
            st.integers(0, 127),
        ),
        min_size=1,
        max_size=6,
    )
)
def test_of_keys_it_warns_exactly_where_a_count_and_arithmetic_say(
    wishes: list[tuple[int, int, int, int]],
) -> None:
    samples = [
        planned(at + 1, rate=Fraction(rate), keys=Keys(root, min(one, other), max(one, other)))
        for at, (rate, root, one, other) in enumerate(wishes)
    ]
    sheet = worksheet(evening(*samples))
    keys = [each.keys for each in samples if each.keys is not None]
    counts = [sum(each.low <= key <= each.high for each in keys) for key in range(128)]
    notes = "\n".join(sheet.notes)
    assert ("No sample is played by" in notes) == (0 in counts)
    assert ("more than one sample plays" in notes) == (max(counts) > 1)
    for (rate, root, _, _), each, row in zip(wishes, keys, sheet.rows, strict=True):
        # 44,100 words a second are what listen plays; to the twelfth power all is whole numbers.
        folding = [
            key
            for key in range(each.low, each.high + 1)
            if rate**12 * 2 ** max(key - root, 0) > 44_100**12 * 2 ** max(root - key, 0)
        ]
        assert row.loop == "none" + (
            f"; folds from {key_name(folding[0])} ({folding[0]}) up" if folding else ""
        )
    assert ("A sample folds" in notes) == any("folds" in row.loop for row in sheet.rows)


def test_what_else_is_to_be_looked_at() -> None:
    samples = [
        planned(1, remark="the unit keeps 12 of its 16 bits"),
        planned(2, keys=None, root=57),
        planned(None, name="gull C#4", number=9),
    ]
    sheet = worksheet(evening(*samples))
    notes = "\n".join(sheet.notes)
    assert sheet.rows[1][3:6] == ("A3 (57)", "-", "-")
    assert "Slot 1 (Thunder): the unit keeps 12 of its 16 bits." in notes
    assert "Without keys: slot 2 (Thunder); dryload plan --keys" in notes
    assert "tells the root of slot 1 (Thunder): find it by ear" in notes  # not of the gull
    many = worksheet(evening(*(planned(at) for at in range(1, 60))))
    assert "slot 6 (Thunder) and 53 more" in "\n".join(many.notes)
