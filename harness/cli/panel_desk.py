"""What the keys of the live panel do: questions, answers and actions, without a terminal."""

from collections.abc import Callable
from typing import Final, NamedTuple

from dryload.emulator.wire.prose import counted
from dryload.harness.cli.keys import BACKSPACE, ENTER, ESCAPE
from dryload.harness.files.opening import shown
from dryload.harness.jobs.front_panel import QUIT, View
from dryload.harness.report.panel import Shows

Post = Callable[[str], object]
_DIGITS: Final = 5
_HIGHEST_ID: Final = 126  # DEV-01, M1 p. 35


class _NumberEntry(NamedTuple):
    """A number that is asked for, and what is done with it."""

    what: str
    least: int
    most: int
    then: Callable[[int, View], None]


class PanelDesk:
    """Takes keys one at a time and posts the actions they ask for.

    `has_battery` says whether the memory survives switching the unit off; `is_protected` answers
    for any slot, because a view has only those that hold a sample.
    """

    def __init__(
        self, post: Post, *, has_battery: bool, is_protected: Callable[[int], bool]
    ) -> None:
        self._post: Final = post
        self._has_battery: Final = has_battery
        self._is_protected: Final = is_protected
        self._asked: _NumberEntry | None = None
        self._typed = ""
        self._complaint = ""
        self._sure = ""  # what y would do
        self._if_sure = ""
        self._notice = ""
        self._help = False
        self._bytes = False

    def shows(self, *, left_ns: int | None, still_ns: int, ascii_only: bool) -> Shows:
        """Return what the panel shows in addition to the unit."""
        question, asked = self._sure, self._asked
        if asked is not None:
            question = (
                f"{self._complaint}{asked.what}, {asked.least} to {asked.most}: {self._typed}_   "
                "Enter to confirm, Esc to cancel."
            )
        return Shows(
            question=question,
            notice=self._notice,
            help=self._help,
            bytes=self._bytes,
            left_ns=left_ns,
            still_ns=still_ns,
            ascii_only=ascii_only,
        )

    def press(self, key: str, view: View) -> None:
        """Take a key; `view` is what its user has before them."""
        if self._if_sure:
            self._answer(key, self._if_sure)
        elif self._asked is not None:
            self._type(key, self._asked, view)
        else:
            self._notice = ""
            if self._help:
                self._help = False
                if key in ("?", ESCAPE, ENTER):
                    return
            self._begin(key.lower(), view)

    def _begin(self, key: str, view: View) -> None:
        match key:
            case "q":
                self._post(QUIT)
            case "?" | "h":
                self._help = True
            case "b":
                self._bytes = not self._bytes
            case "o":
                self._switch(view)
            case "c" | "i" | "f" | "d" | "p" | "x":
                if view.powered:
                    self._use(key, view)
                else:
                    self._notice = "The unit is switched off: press o first."
            case key if len(key) == 1:
                self._notice = f"The key {shown(key)} does nothing: press ? for a list of keys."

    def _use(self, key: str, view: View) -> None:
        match key:
            case "c" if view.awaiting_confirm is None:
                self._notice = "There is nothing to confirm."
            case "c":
                self._post("confirm")
            case "i":
                self._ask(f"initialise {_wipes(view)}", "initialise")
            case "f":
                self._post(f"filter {'off' if view.receives_exclusive else 'on'}")
            case "d":
                what = f"Device ID (now {view.device_id})"
                self._ask_for(_NumberEntry(what, 0, _HIGHEST_ID, self._set_device_id))
            case "p":
                what = "Slot to protect or unprotect"
                self._ask_for(_NumberEntry(what, 1, view.slot_count, self._protect))
            case "x" if not view.slots:
                self._notice = "There is nothing to delete: all slots are empty."
            case "x":
                self._ask_for(_NumberEntry("Slot to delete", 1, view.slot_count, self._delete))

    def _ask(self, what: str, action: str) -> None:
        self._sure = f"{what[0].upper()}{what[1:]}: press y to do it, any other key to cancel."
        self._if_sure = action

    def _answer(self, key: str, action: str) -> None:
        self._if_sure = self._sure = ""
        if key.lower() == "y":
            self._post(action)
        else:
            self._notice = "Nothing was changed."

    def _ask_for(self, asked: _NumberEntry) -> None:
        self._asked, self._typed, self._complaint = asked, "", ""

    def _type(self, key: str, asked: _NumberEntry, view: View) -> None:
        self._complaint = ""
        if key == ESCAPE:
            self._asked, self._notice = None, "Nothing was changed."
        elif key == BACKSPACE:
            self._typed = self._typed[:-1]
        elif key.isascii() and key.isdigit() and len(self._typed) < _DIGITS:
            self._typed += key
        elif key == ENTER and self._typed and asked.least <= int(self._typed) <= asked.most:
            self._asked = None
            asked.then(int(self._typed), view)
        elif key == ENTER:
            wrong = f"{self._typed} is out of range." if self._typed else "Type a number first."
            self._complaint, self._typed = f"{wrong} ", ""

    def _switch(self, view: View) -> None:
        action = f"power {'off' if view.powered else 'on'}"
        if view.powered and not self._has_battery and (view.slots or view.arriving):
            self._ask(f"the unit has no battery: switching off {_wipes(view)}", action)
        elif view.powered and view.arriving is not None:
            self._ask("switching off ends the dump that is arriving", action)
        else:
            self._post(action)

    def _set_device_id(self, number: int, view: View) -> None:
        self._post(f"device-id {number}")

    def _protect(self, number: int, view: View) -> None:
        self._post(f"{'unprotect' if self._is_protected(number) else 'protect'} {number}")

    def _delete(self, number: int, view: View) -> None:
        slot = next((slot for slot in view.slots if slot.number == number), None)
        if slot is None:
            self._notice = f"Slot {number} is empty already."
        elif self._is_protected(number):
            self._notice = f"Slot {number} is protected: press p to unprotect it first."
        else:
            name = f" ({shown(slot.name)})" if slot.name else ""
            self._ask(f"delete wipes slot {number}{name}", f"delete {number}")


def _wipes(view: View) -> str:
    samples = len(view.slots)
    words = {0: "initialises the memory", 1: "wipes the one sample it holds"}
    said = words.get(samples, f"wipes all {counted(samples, 'sample')}")
    if samples == 0 and view.initialised:
        said = "wipes the memory, which holds no sample"
    return said + (" and ends the dump that is arriving" if view.arriving else "")
