"""The front panel of a served unit as lines of a terminal: pure, no line longer than it may be."""

from collections.abc import Sequence
from textwrap import wrap
from typing import Final

from msgspec import Struct
from rich.cells import cell_len, set_cell_size
from rich.text import Text

from dryload.emulator.unit.memory import banks_in_a_row
from dryload.emulator.unit.slots import Slot
from dryload.emulator.wire.prose import counted, duration
from dryload.harness.files.opening import shown
from dryload.harness.jobs.front_panel import Note, PassedBytes, View
from dryload.harness.report.memory_bar import ASCII, BLOCKS, Signs, bank_cells, memory_bar
from dryload.harness.report.table import Column, table

KEYS: Final = (
    ("c", "confirm"),
    ("i", "initialise"),
    ("f", "receive filter"),
    ("d", "device ID"),
    ("o", "power off/on"),
    ("p", "protect"),
    ("x", "delete"),
    ("b", "bytes"),
    ("?", "help"),
    ("q", "quit"),
)
HELP: Final = (
    "c  confirm     accepts a new sample, on units that ask for it",
    "i  initialise  initialises the memory: every sample is lost",
    "f  filter      lets dumps in or keeps them out (all System Exclusive)",
    "d  device ID   0 to 126; dumps for other device IDs are ignored",
    "o  power       switches the unit off or on; a dump in progress ends",
    "p  protect     protects a slot from being overwritten, or unprotects it",
    "x  delete      empties one slot",
    "b  bytes       shows the last bytes on the line, or the last events",
    "q  quit        ends the program, as Ctrl-C does; Ctrl-Z suspends it",
    "",
    "Memory: each piece begins with the number of its slot; {free} is free,",
    "{arriving} is arriving, {several} is several small pieces, {edge} separates two banks.",
)
_SLOT_COLUMNS: Final = (
    *(Column(heading, right=True) for heading in ("slot", "sample", "words", "bits", "sound")),
    Column("name"),
)
_LABEL: Final = 10  # cells of the words at the left
_TALL: Final = 20  # lines from which there is room for everything but the slots
_AIRY: Final = 16  # lines beside the slots, with empty ones between and names below the memory
_LEAST_SAID: Final = 2  # lines for what happened last
_STALLED_NS: Final = 2_000_000_000
_COLOURS: Final = ("cyan", "green", "magenta", "blue")
_SEEN_ABOVE: Final = ("progress", "late")
_ENDS: Final = ("loaded", "loaded with changes", "refused", "incomplete", "not heard", "header")
_ALARMS: Final = frozenset(
    ("refused", "incomplete", "faulty", "overrun", "not heard", "mistake", "late", "cancelled")
) | {"image not written"}


class Shows(Struct, frozen=True, kw_only=True):
    """What the panel shows in addition to the unit."""

    question: str = ""
    """Replaces the list of keys until it is answered."""
    notice: str = ""
    """The effect of the last key."""
    help: bool = False
    bytes: bool = False
    """The last bytes instead of what happened."""
    left_ns: int | None = None
    """How long the dump will still take; None where that is not known."""
    still_ns: int = 0
    """How long no packet of it has arrived."""
    ascii_only: bool = False

    @property
    def signs(self) -> Signs:
        """What bars are made of."""
        return ASCII if self.ascii_only else BLOCKS


def panel(view: View, *, width: int, height: int, shows: Shows | None = None) -> list[Text]:
    """Return exactly `height` lines, each at most `width` cells wide."""
    if width < 1 or height < 1:
        return []
    shows = shows or Shows()
    foot = _foot(width, shows)[: max(height - 2, 1)]
    is_airy = height - len(foot) > max(_TALL, len(view.slots) + _AIRY)
    if is_airy:
        foot.insert(0, Text(""))
    room = height - len(foot)
    lines = _body(view, width, room, shows, is_airy)[:room]
    lines += [Text("")] * (room - len(lines))
    return [_cropped(line, width, shows) for line in [*lines, *foot]]


def what_to_do(view: View) -> str:
    """Return what the user has to do next at the panel, "" for nothing."""
    confirm = f"slot {view.awaiting_confirm} has a new sample: press c to confirm it"
    on_disk = f"the memory is not saved: {shown(view.image_problem or '-')}"
    wanted = (
        (not view.powered, "the unit is off: press o to switch it on"),
        (view.awaiting_confirm is not None, confirm),
        (1 not in view.banks_fitted, "no memory: bank 1 is not fitted; quit and give --banks"),
        (not view.initialised, "memory not initialised: press i"),
        (not view.receives_exclusive, "the receive filter keeps every dump out: press f"),
        (bool(view.image_problem), on_disk),
    )
    return next((words for is_so, words in wanted if is_so), "")


def slot_words(slot: Slot) -> tuple[str, ...]:
    """Return the cells of a slot: slot, sample number, words, bits, sound, name."""
    sample = slot.written
    assert sample is not None
    sound = duration(round(sample.frames / sample.rate * 1_000_000_000)) if sample.rate > 0 else "?"
    name = shown(slot.name) if slot.name else "(no name)"
    if slot.protected:
        name = f"[protected] {name}"
    numbers = (slot.number, slot.sample_number, f"{len(sample.words):,}", sample.bits)
    return (*map(str, numbers), sound, name)


def _body(view: View, width: int, room: int, shows: Shows, is_airy: bool) -> list[Text]:
    """Return the lines above the keys; the slots come before empty lines and old messages."""
    tall = room >= _TALL
    lines = [_title(view, width), *_head(view, width, room, shows)]
    if shows.help:
        return [lines[0], *(Text(line.format(**shows.signs)) for line in HELP)]
    gap = [Text("")] if is_airy else []
    lines += [*gap, *_memory(view, width, is_airy, shows), *gap]
    if tall:
        lines.insert(len(lines) - len(gap), _kept(view))
    left = room - len(lines)
    if left < 8:
        slots = [_slots_in_a_line(view)] if left > 0 else []
        return lines + slots + _last(view, width, left - len(slots), shows)
    slots = _slots(view, left - _LEAST_SAID)
    lines += [*slots, *gap]
    left -= len(slots) + len(gap)
    return lines + _last(view, width, left, shows)


def _title(view: View, width: int) -> Text:
    left = f" {shown(view.profile)}: emulated unit"
    right = f"running for {_clock(view.time_ns)} "
    if cell_len(left) + cell_len(right) + 2 > width:
        return Text(set_cell_size(left, width), style="reverse bold")
    space = " " * (width - cell_len(left) - cell_len(right))
    return Text(left + space + right, style="reverse bold")


def _head(view: View, width: int, room: int, shows: Shows) -> list[Text]:
    lines = [_labelled("Listens", *_listens(view))]
    lines += _display(view, width, room)
    lines.append(_progress(view, width, shows))
    to_do = what_to_do(view)
    if to_do:
        lines.append(_labelled("Do next", to_do, "bold yellow"))
    else:
        lines.append(_labelled("Do next", _no_need(view)))
    if view.missed or view.lost_bytes:
        late = f"this computer was late {counted(view.missed, 'time')}, at worst"
        text = f"{late} {duration(view.worst_late_ns)}"
        if view.lost_bytes:
            text += f"; {counted(view.lost_bytes, 'byte')} lost"
        lines.append(_labelled("Trouble", text, "yellow"))
    return lines


def _display(view: View, width: int, room: int) -> list[Text]:
    """Return the text of the unit's own display, on two lines if it needs them and they fit."""
    text = shown(view.display) if view.display else ""
    parts = wrap(text, max(width - _LABEL - 4, 10)) if room >= _TALL else [text]
    parts = [f"[ {part:<24} ]" for part in parts[:2] or [""]]
    return [_labelled("" if number else "Display", part) for number, part in enumerate(parts)]


def _no_need(view: View) -> str:
    """Return what the user can do while the unit needs nothing."""
    if view.arriving or view.sending:
        return "nothing: wait"
    events = [note.event for note in view.notes if note.event in _ENDS]
    if events and events[-1] in _ALARMS:
        return "read below why it was not accepted, then send it again"
    return "send it a dump"


def _listens(view: View) -> tuple[str, str]:
    where = f"{shown(view.port)}, device ID {view.device_id}"
    if not view.powered:
        return f"no, it is switched off ({where})", "red"
    if not view.receives_exclusive:
        return f"no, the receive filter is on ({where})", "red"
    if view.peer is None:
        return f"at {where}", ""
    return f"at {where}; {shown(view.peer) if view.peer else 'nobody'} is connected", ""


def _progress(view: View, width: int, shows: Shows) -> Text:
    coming, label = view.arriving or view.sending, "Arriving" if view.arriving else "Sending"
    if coming is None:
        return _labelled("Now", shown(view.state))
    what = f"sample {coming.sample_number}" if coming.sample_number >= 0 else "a sample"
    if not coming.expected:
        return _labelled(label, f"{what}, {counted(coming.packets, 'packet')} so far", "bold green")
    part = min(coming.packets / coming.expected, 1.0)
    text = f"{100 * part:.0f} %, {coming.packets:,} of {counted(coming.expected, 'packet')}"
    if shows.still_ns >= _STALLED_NS:
        text += f"; nothing came for {_whole(shows.still_ns)}"
    elif shows.left_ns is not None:
        text += f"; {_whole(shows.left_ns)} to go"
    cells = min(width - _LABEL - cell_len(text) - cell_len(what) - 4, 40)
    if cells < 5:
        return _labelled(label, f"{what}, {text}", "bold green")
    done = int(part * cells)
    bar = shows.signs["sample"] * done + shows.signs["free"] * (cells - done)
    return _labelled(label, f"{what}  {bar}  {text}", "bold green")


def _memory(view: View, width: int, is_airy: bool, shows: Shows) -> list[Text]:
    usable = banks_in_a_row(view.banks_fitted)
    if not usable:
        return [_labelled("Memory", "none that is usable")]
    said = f"{view.free:,} of {view.capacity:,} words free"
    if view.free and view.largest_free < view.free:
        said += f", at most {view.largest_free:,} in one piece"
    if not view.initialised:
        said = "not initialised: it cannot take samples yet"
    cells = max(width - _LABEL, 1)
    bar = _labelled("Memory", "")
    for run in memory_bar(view.memory_map, view.edges, cells, shows.signs):
        bar.append(run.text, "" if run.slot is None else _COLOURS[run.slot % len(_COLOURS)])
    lines = [bar]
    if is_airy and cells >= 2 * usable + 1:
        lines.append(_labelled("", " ".join(_bank_names(usable, cells))))
    return [*lines, _labelled("", said, "" if view.initialised else "yellow")]


def _kept(view: View) -> Text:
    if not view.image:
        return _labelled("Kept in", "no file: lost at the end (--image FILE keeps it)")
    if view.image_written_ns is None:
        return _labelled("Kept in", f"{shown(view.image)}, not written yet")
    ago = _whole(max(view.time_ns - view.image_written_ns, 0))
    return _labelled("Kept in", f"{shown(view.image)}, written {ago} ago")


def _bank_names(banks: int, width: int) -> list[str]:
    names = []
    for number, cells in enumerate(bank_cells(banks, width), 1):
        name = next((n for n in (f"bank {number}", str(number)) if len(n) <= cells), "")
        names.append(name.ljust(cells))  # it begins under the edge
    return names


def _slots(view: View, most: int) -> list[Text]:
    if not view.slots:
        return [_labelled("Slots", f"all {view.slot_count} are empty")]
    used = f"{len(view.slots)} of {view.slot_count} slots are used"
    fits = len(view.slots) <= most - 1
    visible = view.slots if fits else view.slots[: max(most - 2, 1)]
    lines = [Text(line) for line in table(_SLOT_COLUMNS, [*map(slot_words, visible)])]
    lines[0].append(f"     ({used})")
    lines[0].stylize("dim")
    if not fits:
        lines.append(
            Text(f"and {len(view.slots) - len(visible)} more: enlarge the window to see them")
        )
    return lines


def _slots_in_a_line(view: View) -> Text:
    if not view.slots:
        return _labelled("Slots", f"all {view.slot_count} are empty")
    names = ", ".join(
        f"{slot.number} {shown(slot.name)}" if slot.name else str(slot.number)
        for slot in view.slots
    )
    return _labelled("Slots", f"{len(view.slots)} of {view.slot_count} used: {names}")


def _last(view: View, width: int, room: int, shows: Shows) -> list[Text]:
    """Return what happened last, or the bytes of it."""
    if not shows.bytes:
        return _messages(view.notes, width, room)
    passed = view.passed[-room:] if room > 0 else ()
    return [_bytes(each, width) for each in passed] or [Text("   no bytes yet")][:room]


def _bytes(passed: PassedBytes, width: int) -> Text:
    way = "in " if passed.to_unit else "out"
    start = f"{_clock(passed.end_ns):>8}  {way} {passed.length:4}  "
    fit = max((width - len(start) - 2) // 3, 1)
    more = " …" if min(fit, len(passed.data)) < passed.length else ""
    return Text(start + passed.data[:fit].hex(" ").upper() + more)


def _messages(notes: Sequence[Note], width: int, room: int) -> list[Text]:
    """Return the last messages, the newest at the bottom, without those that have a line above."""
    lines: list[Text] = []
    for note in reversed([note for note in notes if note.event not in _SEEN_ABOVE]):
        time = f"{_clock(note.time_ns):>8}  "
        parts = wrap(shown(note.text), max(width - len(time), 20)) or [""]
        style = "yellow" if note.event in _ALARMS else ""
        block = [Text(time + parts[0], style)]
        block += [Text(" " * len(time) + part, style) for part in parts[1:3]]
        if not lines:
            block = block[: max(room, 0)]  # of the newest one at least its beginning
        if len(block) > room - len(lines):
            break
        lines = block + lines
    return lines


def _foot(width: int, shows: Shows) -> list[Text]:
    if shows.question:
        parts = wrap(shown(shows.question), max(width - 1, 10))
        return [Text(set_cell_size(part, width), "reverse") for part in parts]
    lines = [Text(shown(shows.notice), "bold")] if shows.notice else []
    lines.append(Text(""))
    for key, word in KEYS:
        piece = Text.assemble((key, "bold"), " ", word)
        if not lines[-1].plain:
            lines[-1] = piece
        elif lines[-1].cell_len + 2 + piece.cell_len <= width:
            lines[-1] = Text.assemble(lines[-1], "  ", piece)
        else:
            lines.append(piece)
    return lines


def _labelled(label: str, text: str, style: str = "") -> Text:
    return Text.assemble((f"{label:<{_LABEL}}", "dim"), (text, style))


def _cropped(line: Text, width: int, shows: Shows) -> Text:
    """Return the line as it fits, with a sign that something is missing.

    Nothing in it can steer the terminal: a name may hold anything.
    """
    if not line.plain.isprintable():
        line = Text(shown(line.plain), line.style)
    if shows.ascii_only:
        line = Text(line.plain.encode("ascii", "replace").decode(), line.style, spans=line.spans)
    if line.cell_len <= width:
        return line
    more = "~" if shows.ascii_only else "…"
    cut = line.copy()
    cut.truncate(max(width - 1, 0))
    return cut.append(more) if cut.cell_len < width else cut


def _clock(ns: int) -> str:
    seconds = ns // 1_000_000_000
    hours, minutes = seconds // 3600, seconds // 60 % 60
    return f"{hours}:{minutes:02}:{seconds % 60:02}" if hours else f"{minutes}:{seconds % 60:02}"


def _whole(ns: int) -> str:
    """Return a time that changes every second, so in whole seconds."""
    seconds = -(-ns // 1_000_000_000)
    return f"{seconds} s" if seconds < 60 else f"{seconds // 60} min {seconds % 60} s"
