"""The smallest input that shows a fault, and whether it shows it again in a new process.

Theory of operation.  An input is made smaller in three steps, each of which keeps what the one
before reached: fewer words (a piece of those that were asked), simpler words (silence, then values
nearer to it), and parameters that are the usual ones.  Hypothesis looks for the simplest of each;
where it is not installed, inputs are only cut at either end.
What was asked once is not asked again, and beyond a number of questions all is taken to be well.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from importlib.util import find_spec
from typing import Any, Final

import numpy as np
from msgspec.structs import replace

from dryload.harness.judge.finding import Finding
from dryload.harness.trial.subject import Subject
from dryload.harness.trial.task import PARAMETERS, CallAnswer, CallEnding, Shape, Task
from dryload.harness.trial.trial import Conduct, TrialFault
from dryload.harness.trial.verdict import judged

_QUESTIONS: Final = {False: 600, True: 120}
"""How often an encoder is asked for one fault, by whether it is a command (our choice)."""
CAN_SEARCH: Final = find_spec("hypothesis") is not None
"""Whether Hypothesis is here: pip install 'dryload[testing]'."""
_TRIES: Final = 8
_SHORT: Final = 200
"""Words up to which they are made simpler one by one."""
_PLAIN: Final = Task(words=np.zeros(0, np.int32))


def shrink(fault: TrialFault, subject: Subject) -> None:
    """Find the smallest input of a fault, and try it in a new process."""
    with_it = _Showing(fault, subject)
    try:
        task = fault.probe.task
        assert isinstance(task, Task)
        if with_it(task):
            for step in (_fewer, _simpler, _usual, _fewer):
                task = step(task, with_it)
            fault.smallest = task
            fault.smallest_data = subject.answer(task).data
            fault.finding = _of_smallest(fault, subject.parameters)
            fault.reproduced = with_it.again(task)
    finally:
        with_it.close()


def _of_smallest(fault: TrialFault, parameters: Sequence[str]) -> Finding:
    """Return the finding as the smallest input shows it."""
    told, task = fault.finding, fault.smallest
    if task is None or not fault.smallest_data:
        return told
    found = judged(task, fault.smallest_data, parameters).findings
    alike = [each for each in found if (each.clause, each.kind) == (told.clause, told.kind)]
    return alike[0] if alike else told


class _Showing:
    """Whether a task shows a fault; asked no more often than it may."""

    def __init__(self, fault: TrialFault, subject: Subject) -> None:
        self._fault = fault
        self._subject = subject
        self._left = _QUESTIONS[subject.is_command]
        self._known: dict[tuple[object, ...], bool] = {}
        kind = fault.finding.kind
        self._elsewhere = (
            subject.fresh(fault.surroundings) if kind == Conduct.SURROUNDINGS else None
        )

    def __call__(self, task: Task) -> bool:
        key = (task.words.tobytes(), *(getattr(task, name) for name in PARAMETERS), task.shape)
        if (known := self._known.get(key)) is not None:
            return known
        if self._left <= 0:
            return False
        self._left -= 1
        shows = self._known[key] = self._asks(task, self._subject)
        return shows

    def again(self, task: Task) -> bool:
        """Whether it shows in a new process."""
        subject = self._subject.fresh()
        try:
            return self._asks(task, subject)
        finally:
            subject.close()

    def close(self) -> None:
        """End the process of other surroundings."""
        if self._elsewhere is not None:
            self._elsewhere.close()

    def _asks(self, task: Task, subject: Subject) -> bool:
        kind = self._fault.finding.kind
        if kind == Conduct.REMEMBERS:
            self._left -= 9  # it costs as much
            subject = subject.fresh()
            try:
                return _differ(task, subject, subject)
            finally:
                subject.close()
        if kind == Conduct.HANGS:
            self._left = 0  # each question takes the whole limit
        if kind == Conduct.NOT_REPEATABLE:  # it may hang on the clock
            return any(_differ(task, subject, subject) for _ in range(_TRIES))
        if self._elsewhere is not None:
            return _differ(task, subject, self._elsewhere)
        answer = subject.answer(task)
        if (at_once := _AT_ONCE.get(kind)) is not None:
            return at_once(answer)
        if kind == Conduct.CHANGES_RETURNED:
            other = replace(task, words=np.append(task.words ^ 1, np.int32(1)))
            return subject.answer(other).earlier_changed
        return self._is_wrong(task, answer, subject)

    def _is_wrong(self, task: Task, answer: CallAnswer, subject: Subject) -> bool:
        """Whether a dump is wrong in the way of the fault."""
        if answer.ending is not CallEnding.MADE:
            return False
        found = judged(task, answer.data, subject.parameters).findings
        if self._fault.finding.kind == Conduct.FORM:
            plain = replace(task, shape=Shape.PLAIN)
            return bool(found) and not (
                judged(plain, subject.answer(plain).data, subject.parameters).findings
            )
        wanted = self._fault.finding.clause, self._fault.finding.kind
        return any((each.clause, each.kind) == wanted for each in found)


_AT_ONCE: Final[Mapping[str, Callable[[CallAnswer], bool]]] = {
    Conduct.CHANGES_INPUT: lambda answer: answer.input_changed,
    Conduct.CRASHES: lambda answer: answer.ending is CallEnding.CRASHED,
    Conduct.HANGS: lambda answer: answer.ending is CallEnding.HUNG,
    Conduct.MAKES_NOTHING: lambda answer: answer.ending is CallEnding.NOTHING,
}
"""What one answer shows by itself."""


def _differ(task: Task, subject: Subject, other: Subject) -> bool:
    """Whether a task comes out otherwise the second time."""
    return subject.answer(task).data != other.answer(task).data


def _fewer(task: Task, shows: Callable[[Task], bool]) -> Task:
    """Return the task with the shortest piece of its words that shows the fault."""
    words = task.words
    for count in _lengths(len(words)):
        for piece in (words[:count], words[len(words) - count :]):
            if shows(smaller := _with(task, piece)):
                return _shortest(smaller, shows)
    return _shortest(task, shows)


def _lengths(count: int) -> Iterator[int]:
    yield from (0, 1, 2, 3)
    length = 4
    while length < count:
        yield length
        length += max(length // 4, 1)


def _shortest(task: Task, shows: Callable[[Task], bool]) -> Task:
    words = task.words
    if len(words) <= 1 or not CAN_SEARCH:
        return _by_halves(task, shows)
    from hypothesis import strategies as st

    pieces = st.integers(0, len(words)).flatmap(
        lambda count: st.tuples(st.just(count), st.integers(0, len(words) - count))
    )

    def piece(drawn: tuple[int, int]) -> Task:
        count, first = drawn
        return _with(task, words[first : first + count])

    found = _found(pieces, lambda drawn: shows(piece(drawn)))
    if found is None or found[0] >= len(words):
        return _by_halves(task, shows)
    return _by_halves(piece(found), shows)


def _by_halves(task: Task, shows: Callable[[Task], bool]) -> Task:
    """Return the task without what can be left out at either end, less and less of it."""
    step = len(task.words) // 2
    while step:
        words = task.words
        for piece in (words[: len(words) - step], words[step:]):
            if shows(smaller := _with(task, piece)):
                task = smaller
                break
        else:
            step //= 2
        step = min(step, len(task.words) // 2)
    return task


def _simpler(task: Task, shows: Callable[[Task], bool]) -> Task:
    """Return the task with silence where it shows all the same, and with small words."""
    count = len(task.words)
    if shows(silent := _with(task, np.zeros(count, np.int32))):
        return silent
    if not 0 < count <= _SHORT or not CAN_SEARCH:
        return task
    from hypothesis import strategies as st

    masks = st.lists(st.booleans(), min_size=count, max_size=count)
    kept = _found(masks, lambda mask: shows(_with(task, np.where(mask, task.words, 0))))
    if kept is not None:
        task = _with(task, np.where(kept, task.words, 0))
    for place in np.flatnonzero(task.words)[:8].tolist():
        task = _nearer(task, place, shows)
    return task


def _nearer(task: Task, place: int, shows: Callable[[Task], bool]) -> Task:
    """Return the task with the word at `place` as near to silence as shows the fault."""
    value = int(task.words[place])
    for nearer in (0, 1, -1, *(value // (1 << power) for power in range(24, 0, -1))):
        if abs(nearer) >= abs(value):
            continue
        words = task.words.copy()
        words[place] = nearer
        if shows(simpler := _with(task, words)):
            return simpler
    return task


def _usual(task: Task, shows: Callable[[Task], bool]) -> Task:
    """Return the task with the usual parameters, where it shows all the same."""
    for name in (*PARAMETERS, "shape"):
        if name == "bits":
            continue  # the words are of that width
        usual = replace(task, **{name: getattr(_PLAIN, name)})
        if getattr(task, name) != getattr(usual, name) and shows(usual):
            task = usual
    if len(task.name) > 1 and shows(shorter := replace(task, name=task.name[:1])):
        task = shorter
    return task


def _with(task: Task, words: Any) -> Task:
    """Return the task with other words; a loop that is no longer inside ends with them."""
    last, loop = len(words) - 1, task.loop
    if loop is not None and loop[1] > last:
        loop = (min(loop[0], max(last, 0)), max(last, 0), loop[2])
    return replace(task, words=np.ascontiguousarray(words, np.int32), loop=loop)


def _found(strategy: Any, condition: Callable[[Any], bool]) -> Any:
    """Return the simplest that meets a condition, None where none was found."""
    from hypothesis import HealthCheck, Phase, find, settings
    from hypothesis.errors import HypothesisException

    quick = settings(
        max_examples=60,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
        phases=(Phase.generate, Phase.shrink),
    )
    try:
        return find(strategy, condition, settings=quick, random=_seeded())
    except HypothesisException:
        return None


def _seeded() -> Any:
    from random import Random

    return Random(1)
