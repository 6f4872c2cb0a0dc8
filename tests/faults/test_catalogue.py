"""The catalogue: every fault can be asked for, does something, and tells the truth about it."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files

import pytest

from dryload.emulator.line import effects, trouble
from dryload.emulator.line.disturbance import Disturbance
from dryload.emulator.line.link import Link
from dryload.emulator.line.trouble import Trouble
from dryload.emulator.wire.clauses import clauses
from dryload.harness.diagnose.table import TABLE, parse_causes
from dryload.harness.faults.catalogue import Fault, Parameter, faults, situations
from dryload.harness.faults.grammar import PLACES, THINGS
from dryload.harness.faults.reading import NotUnderstood, read_all, read_words
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.transfer import Settings
from tests.jobs.bench import dump, in_slot, unit, words
from tests.line.players import FROM, TO
from tests.line.told import DUMP, REPLIES, Told, bytes_of, plain

FAULTS = faults()
IDS = [fault.name for fault in FAULTS]
STRUCK = {*THINGS, "header", "unit", "sender"}
WORDS = words(361)  # ten packets of 16 bits
ELSEWHERE = {
    "noise": "noise of 5 bytes at 200 ms",
    "unplug": "unplug the cable at 200 ms for 300 ms",
    "pause": "pause of 25 ms in packet 3, byte 64",
    "buffer overruns": "buffer of 34 bytes",
    "bank forgets": "bank 1 forgets after 1 s without power",
}
"""The dump is shorter here than the one that an example has in mind, or its slots are."""
BESIDE = {
    "acknowledge bad packets": ("flip a bit in packet 3",),
    "buffer overruns": ("no spacing", "habit store_packet_ms 60"),
    "habit": ("lose packet 3, once", "no spacing"),
    "bank half the size": ("habit bank_words 400",),
    "banks together": ("habit bank_words 200",),
    "bank forgets": ("power fails at requests for 1200 ms",),
}
"""What has to happen as well for a unit to show that it is another one."""


@pytest.mark.parametrize("fault", FAULTS, ids=IDS)
def test_an_entry_is_whole(fault: Fault) -> None:
    assert fault.clause in clauses()
    for text in (fault.does, fault.shows, fault.must[fault.clause], fault.everyday):
        assert text[0].isupper() or text.startswith("dryload ")
        assert text.endswith(".")
    asked = read_words(fault.example)
    assert asked.said == fault.example
    if fault.forms:
        assert asked.fault is fault
        does = (fault.effect, fault.trouble, fault.link, *fault.unit, *fault.sender, fault.memory)
        assert len([each for each in does if each]) >= 1
    assert isinstance(asked.means, Trouble) is bool(asked.fault.trouble)
    assert isinstance(asked.means, Disturbance) is not asked.fault.lasts
    assert isinstance(asked.means, Link) is bool(asked.fault.link)


def test_names_and_forms_are_one_thing_each() -> None:
    names = [fault.name.lower() for fault in FAULTS] + [each.name for each in situations()]
    assert len(set(names)) == len(names)
    forms = [form for fault in FAULTS for form in fault.forms] + [each.form for each in PLACES]
    assert len(set(forms)) == len(forms)


@pytest.mark.parametrize("fault", FAULTS, ids=IDS)
def test_what_a_fault_should_be_diagnosed_as_is_a_cause(fault: Fault) -> None:
    for struck, cause in fault.causes.items():
        assert struck in STRUCK
        assert TABLE.named(cause).name == cause
    with pytest.raises((KeyError, ValueError)):
        TABLE.named(fault.does)


def test_only_what_has_no_meaning_by_itself_has_no_cause() -> None:
    assert [fault.name for fault in FAULTS if not fault.causes] == [
        *("join", "answer", "habit", "link")
    ]


@pytest.mark.parametrize("module", [effects, trouble])
def test_every_effect_is_in_the_catalogue(module: object) -> None:
    there = {
        name
        for name, made in vars(module).items()
        if getattr(made, "__module__", "") == getattr(module, "__name__", None)
        and not name.startswith("_")
        and not isinstance(made, type)
    }
    assert there == {
        fault.effect if module is effects else fault.trouble
        for fault in FAULTS
        if (fault.effect if module is effects else fault.trouble)
    }


# What they do


def rehearsed(texts: Sequence[str]) -> Rehearsal:
    asked = read_all(texts)
    made = Rehearsal(
        asked.unit(unit()),
        settings=asked.settings(Settings()),
        disturbances=asked.placed,
        link=asked.link,
    )
    made.play(dump(WORDS))
    made.finish()
    return made


def shown(made: Rehearsal) -> object:
    return made.line.capture.passages, in_slot(made, 2)


@pytest.mark.parametrize("fault", FAULTS, ids=IDS)
def test_it_does_something_to_a_dump(fault: Fault) -> None:
    texts = (ELSEWHERE.get(fault.name, fault.example), *BESIDE.get(fault.name, ()))
    assert shown(rehearsed(texts)) != shown(rehearsed(texts[1:]))
    assert read_words(texts[0]).fault.name == fault.name or not fault.forms


@pytest.mark.parametrize(
    "fault", [each for each in FAULTS if each.effect or not each.forms], ids=lambda each: each.name
)
def test_on_the_line_what_was_struck_differs_and_nothing_else(fault: Fault) -> None:
    said = ELSEWHERE.get(fault.name, fault.example)
    (placed,) = read_all([said]).placed
    told = Told(placed, back=REPLIES)
    struck = {(each.direction, each.message) for each in told.struck}
    assert struck
    assert {each.said for each in told.struck} == {said}
    there = {(TO, at) for at, slot in enumerate(told.slots) if slot != plain(DUMP[at])}
    back = {(FROM, at) for at, slot in enumerate(told.answers) if slot != plain(REPLIES[at])}
    if fault.effect == "echo":  # what goes out is as it was, and comes back beside the answers
        assert not there
        more = [each for each in told.back if each not in Told(back=REPLIES).back]
        assert bytes_of(more) == b"".join(DUMP[each.message] for each in told.struck)
    elif fault.effect == "hold_back":  # and the next one, which brings it along
        assert there | back == struck | {(way, at + 1) for way, at in struck}
    else:
        assert there | back == struck


@pytest.mark.parametrize(
    "fault", [each for each in FAULTS if each.trouble], ids=lambda each: each.name
)
def test_in_the_unit_nothing_differs_before_it_is_said_to_have_struck(fault: Fault) -> None:
    made, plain_run = rehearsed([fault.example]), rehearsed([])
    (struck,) = made.struck
    assert (struck.said, struck.direction) == (fault.example, TO)
    here, there = made.line.capture.passages, plain_run.line.capture.passages
    before = [each for each in here if each.end_ns < struck.at_ns]
    assert before == [each for each in there if each.end_ns < struck.at_ns]
    assert len(before) > 2


PARAMETERS = [
    (fault, each, limit)
    for fault in FAULTS
    for each in fault.parameters.values()
    for limit in each.range or ()
]


@pytest.mark.parametrize(
    ("fault", "parameter", "limit"),
    PARAMETERS,
    ids=lambda each: getattr(each, "name", str(each)),
)
def test_a_parameter_goes_to_the_end_of_its_range_and_no_further(
    fault: Fault, parameter: Parameter, limit: int
) -> None:
    slots = {"N", "P", "TIME"}
    form = parameter.phrase or next(form for form in fault.forms if slots & {*form.split()})
    place = "" if fault.usual else "packet 3"
    name = "" if not parameter.phrase else fault.forms[0]

    def text(value: int) -> str:
        said = form.replace("TIME", f"{value} ns").replace("P ", f"{value / 10_000:.3f} ")
        said = " ".join(str(value) if token == "N" else token for token in said.split())
        return f"{name} {said} {place}" if parameter.phrase else f"{said} {place}"

    if limit < 10**9:
        assert isinstance(read_words(text(limit)).means, Disturbance)
    step = 10 if "P" in form.split() else 1  # its three decimals, in millionths
    beyond = limit - step if limit == (parameter.range or [0])[0] else limit + step
    if 0 <= beyond < 10**9:
        with pytest.raises(NotUnderstood, match="must be"):
            read_words(text(beyond))


def test_the_experiment_of_a_cause_rehearses_a_fault_that_there_is() -> None:
    told = [each.experiment for each in TABLE.causes]
    assert 'Rehearse it: dryload replay FILE --disturb "reset in packet 4".' in told
    assert not [text for text in told if "{" in text]
    register = files("dryload.harness.diagnose").joinpath("causes.toml").read_text("utf-8")
    wrong = "'reset on the cable': it rehearses 'preset': no such fault"
    with pytest.raises(ValueError, match=wrong):
        parse_causes(register.replace("{reset}", "{preset}"))
