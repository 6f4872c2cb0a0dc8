"""An encoder on trial with what a fair report says of it, fixed before any report is read."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable, Sequence
from typing import Literal, Protocol, TypeVar

import numpy as np
from msgspec import Struct
from numpy.typing import ArrayLike, NDArray

from tests.oracle import packet_count
from tests.trial.plain import Extended, Loop, Plain

Encoder = Callable[..., object]
Probe = Callable[[Encoder], bool]
"""True where the encoder shows its defect."""
DECLINES = (ValueError, NotImplementedError)
DECLINES_TYPE = (*DECLINES, TypeError, OverflowError)
"""How an encoder says no; the two last count for words of an unusual type only."""

About = Literal[
    "words",  # the words of the dump are not those that were given
    "words of another type",  # only where the array is not of 32-bit integers
    "words of a view",  # only where the array does not lie in one piece
    "packets",  # packets are missing, or stand twice
    "sample number",
    "state between calls",  # what an earlier call left behind
    "not repeatable",  # the same call again, now or in another process, gives other bytes
    "environment",  # the same call gives other bytes where settings of the system differ
    "returned object",  # what one call returned changes in a later one
    "input changed",  # the array that was handed over holds something else afterwards
    "crash",
]


class Given(Struct, frozen=True, kw_only=True, eq=False):
    """The arguments of one call; `words` is handed over as it is, whatever its type and strides."""

    words: NDArray[np.generic]
    bits: int = 16
    rate: float = 44100.0
    number: int = 0
    device_id: int = 0
    loop: Loop | None = None
    name: str = ""

    @property
    def packets(self) -> int:
        return packet_count(len(self.words), self.bits)


Kind = Literal["broken", "unnamed", "right"]


class Subject(Struct, frozen=True, kw_only=True, eq=False):
    """One encoder and the labels that it was given in advance.

    `kind`       "broken": wrong in one clause; "unnamed": wrong in a way that no clause describes;
                 "right": odd, and not to be condemned
    `make`       a new encoder, with no state of earlier calls
    `reference`  a new encoder that is the same without the defect
    `clauses`    broken: any one of these rightly comes first in a report, as a fault or, where the
                 clause is only a "should", as a weakness; unnamed: may be quoted; right: may be
                 remarked on as a weakness or a note, never as a fault
    `about`      unnamed: what the first sentence of a report has to be about
    `shows`      the input of the fewest words, none but where that is the point, that shows the
                 defect: calls in this order, the last one goes wrong; right: a call that is
                 encoded, with the oddity in it
    `shown`      whether an encoder has the defect; means nothing for a right one
    `declines`   right: calls that are declined
    """

    name: str
    kind: Kind
    make: Callable[[], Encoder]
    reference: Callable[[], Encoder]
    why: str
    shows: tuple[Given, ...]
    shown: Probe
    clauses: tuple[str, ...] = ()
    about: About | None = None
    declines: tuple[Given, ...] = ()

    @property
    def words(self) -> int:
        """Words in the smallest input."""
        return len(self.shows[-1].words)

    @property
    def packets(self) -> int:
        """Packets that the smallest input takes when it is encoded right."""
        return self.shows[-1].packets


def given(
    words: ArrayLike,
    *,
    bits: int = 16,
    rate: float = 44100.0,
    number: int = 0,
    device_id: int = 0,
    loop: Loop | None = None,
    name: str = "",
) -> Given:
    """A call; lists become 32-bit integers, arrays stay as they are."""
    array = words if isinstance(words, np.ndarray) else np.array(words, np.int32)
    return Given(
        words=array,
        bits=bits,
        rate=rate,
        number=number,
        device_id=device_id,
        loop=loop,
        name=name,
    )


def spread(count: int, bits: int = 16) -> NDArray[np.int32]:
    """`count` words all over the range, none like its neighbours."""
    mixed = np.arange(1, count + 1, dtype=np.uint64) * np.uint64(2654435761) >> np.uint64(7)
    return ((mixed % np.uint64(1 << bits)).astype(np.int64) - (1 << (bits - 1))).astype(np.int32)


def takes(encode: Encoder) -> set[str]:
    """The keyword arguments that the encoder's signature has."""
    parameters = inspect.signature(encode).parameters.values()
    if any(parameter.kind is parameter.VAR_KEYWORD for parameter in parameters):
        return set(Given.__struct_fields__)
    return {parameter.name for parameter in parameters}


def call(encode: Encoder, asked: Given) -> object:
    """What the encoder returns, handed only what its signature has."""
    accepted = takes(encode)
    keywords = {
        name: getattr(asked, name)
        for name in Given.__struct_fields__
        if name != "words" and name in accepted
    }
    return encode(asked.words, **keywords)


def as_bytes(result: object) -> bytes:
    """A dump as bytes, from every form in which an encoder may return it."""
    if isinstance(result, (bytes, bytearray)):
        return bytes(result)
    assert isinstance(result, Iterable), f"{type(result)} is no dump"
    return b"".join(
        bytes(item) if isinstance(item, (bytes, bytearray)) else item.bin() for item in result
    )


def said(encode: Encoder, calls: Sequence[Given]) -> list[bytes | str]:
    """The dump of each call in this order, or the name of the exception that it raised."""
    answers: list[bytes | str] = []
    for asked in calls:
        try:
            answers.append(as_bytes(call(encode, asked)))
        except Exception as error:
            answers.append(type(error).__name__)
    return answers


class Makes(Protocol):
    """A class whose objects encode, whatever their signature."""

    @property
    def encode(self) -> Encoder: ...


Made = TypeVar("Made", bound=type[Makes])


class Table:
    """Collects subjects as they are written: each decorator stands above one encoder."""

    def __init__(self) -> None:
        self.subjects: list[Subject] = []

    def broken(self, clauses: str, name: str, *shows: Given, why: str) -> Callable[[Made], Made]:
        """Wrong in one of `clauses`, which are IDs with spaces between them."""
        return self._entry("broken", name, shows, why, clauses)

    def unnamed(
        self,
        about: About,
        name: str,
        *shows: Given,
        why: str,
        clauses: str = "",
        shown: Probe | None = None,
    ) -> Callable[[Made], Made]:
        """Wrong in a way that no clause describes; `shown` where other bytes do not tell it."""
        return self._entry("unnamed", name, shows, why, clauses, about=about, shown=shown)

    def right(
        self,
        name: str,
        shows: Given,
        *,
        why: str,
        clauses: str = "",
        declines: tuple[Given, ...] = (),
    ) -> Callable[[Made], Made]:
        """Odd and right."""
        return self._entry("right", name, (shows,), why, clauses, declines=declines)

    def _entry(
        self,
        kind: Kind,
        name: str,
        shows: tuple[Given, ...],
        why: str,
        clauses: str,
        *,
        about: About | None = None,
        shown: Probe | None = None,
        declines: tuple[Given, ...] = (),
    ) -> Callable[[Made], Made]:
        def add(encoder: Made) -> Made:
            reference = Extended if issubclass(encoder, Extended) else Plain

            def other_bytes(encode: Encoder) -> bool:
                return said(encode, shows)[-1] != said(reference().encode, shows)[-1]

            self.subjects.append(
                Subject(
                    name=name,
                    kind=kind,
                    make=lambda: encoder().encode,
                    reference=lambda: reference().encode,
                    why=why,
                    shows=shows,
                    shown=shown or other_bytes,
                    clauses=tuple(clauses.split()),
                    about=about,
                    declines=declines,
                )
            )
            return encoder

        return add
