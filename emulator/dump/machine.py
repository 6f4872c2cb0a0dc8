"""What sender and receiver have in common: a table to walk and messages to send when they are due.

Two rules.  Everything that changes a state is a row of `sender_table` or `receiver_table`; this
file knows no state. A row's actions run after the state has changed, and what an action queues
leaves in order.
"""

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from enum import Enum
from typing import Any, ClassVar, Final, Generic, NamedTuple, TypeVar

from dryload.emulator.dump.events import Event, EventKind

S = TypeVar("S", bound=Enum)
C = TypeVar("C", bound=Enum)
A = TypeVar("A", bound=Enum)


class Member(Enum):
    """An Enum whose members hash by identity: they are looked up several times a packet."""

    __hash__ = object.__hash__


class Row(NamedTuple, Generic[S, A]):
    """In this state, on this cue: do this, go there, because of this clause."""

    do: tuple[A, ...]
    to: S
    clause: str
    note: str
    """What is done, in a few words: the diagram and the lessons print it."""


Table = Mapping[tuple[S, C], Row[S, A]]


def method_of(action: Enum) -> str:
    """Return the name of the method that carries out an action."""
    return f"_{action.name.lower()}"


def earlier(one_ns: int | None, other_ns: int | None) -> int | None:
    """Return the earlier of two deadlines; None is none."""
    if one_ns is None or other_ns is None:
        return other_ns if one_ns is None else one_ns
    return one_ns if one_ns < other_ns else other_ns


class Machine(Generic[S, C, A]):
    """Walks a table; keeps messages until they are due; collects events.

    A machine names its `actions`; each is carried out by the method of its name.
    """

    _methods: ClassVar[Mapping[Enum, Callable[..., None]]]

    def __init_subclass__(cls, *, actions: type[Enum], **others: Any) -> None:
        """Look the methods up once for all machines of a kind."""
        super().__init_subclass__(**others)
        cls._methods = {each: getattr(cls, method_of(each)) for each in actions}

    def __init__(self, table: Table[S, C, A], state: S) -> None:
        """Start in `state`."""
        self.state: S = state
        self._table: Final = table
        self._ready: deque[bytes] = deque()
        self._due: deque[tuple[int, bytes]] = deque()
        self._events: list[Event] = []

    def bytes_to_send(self) -> bytes:
        """Return one whole message to send now, b"" for none."""
        return self._ready.popleft() if self._ready else b""

    @property
    def has_more_to_send(self) -> bool:
        """Whether a message is ready or will be at a later instant."""
        return bool(self._ready or self._due)

    def _step(self, cue: C, now_ns: int) -> None:
        row = self._table.get((self.state, cue))
        if row is None:
            # Tests hold the pairs without a row against the table; outside bytes never raise.
            self._note(EventKind.UNEXPECTED, now_ns, detail=f"{cue.name} in {self.state.name}")
            return
        self.state = row.to
        methods = self._methods
        for action in row.do:
            methods[action](self, now_ns)

    def _note(
        self, kind: EventKind, now_ns: int, packet: int | None = None, detail: str = ""
    ) -> None:
        self._events.append(Event(kind, now_ns, packet, detail))

    def take_events(self) -> Sequence[Event]:
        """Return what happened since the last call."""
        if not self._events:
            return ()
        events, self._events = self._events, []
        return events

    def _send_at(self, due_ns: int, now_ns: int, message: bytes) -> None:
        """Queue a message for an instant; messages leave in the order in which they were queued."""
        if due_ns <= now_ns and not self._due:
            self._ready.append(message)
        else:
            self._due.append((due_ns, message))

    def _release_due(self, now_ns: int) -> None:
        while self._due and self._due[0][0] <= now_ns:
            self._ready.append(self._due.popleft()[1])
