"""What a campaign came to: text, one JSON document, and the XML that build servers read."""

import shlex
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any, Final
from xml.etree import ElementTree

from harness.files.opening import shown
from harness.jobs.campaign import Campaign
from harness.jobs.campaign_case import Plan, told
from harness.jobs.campaign_run import Result
from harness.jobs.invariants import INVARIANTS, RAISES
from harness.report.quantities import count, duration
from harness.report.table import Column, table

SCHEMA: Final = "dryload/campaign/1"
_SHOWN: Final = 20
_VERIFIED: Final = "loaded and read back"
_COUNTED: Final = (
    _VERIFIED,
    "loaded",
    "loaded with changes",
    "refused",
    "incomplete",
    "unconfirmed",
    "error",
)
_HEADINGS: Final = ("verified", "loaded", "changed", "refused", "incomplete", "unconfirmed")


def lines_of(campaign: Campaign, *, seconds: float, workers: int, width: int | None) -> list[str]:
    """Return the whole report."""
    results = campaign.results
    by = f"by {count(workers, 'worker')}"
    speed = f", {len(results) / seconds:,.0f} a second" if seconds else ""
    asked = f" of {campaign.asked:,}" if campaign.stopped else ""
    lines = [
        f"{len(results):,}{asked} runs of seed {campaign.plan.seed} "
        f"in {seconds:.1f} s {by}{speed}.",
        "",
        *_tallies("unit", results, lambda result: result.case.profile, width),
        "",
        *_tallies("what goes wrong", results, lambda result: result.case.group, width),
        "",
    ]
    twice = sum(result.was_twice for result in results)
    lines.append(f"{count(twice, 'run')} made twice; all that passed: SHA-256 {campaign.digest}.")
    if not campaign.broken:
        return [*lines, "No rule was broken."]
    lines += ["", f"{count(len(campaign.broken), 'run')} broke a rule:"]
    for result in campaign.broken[:_SHOWN]:
        lines += ["", *_broken_lines(campaign.plan, result)]
    if (rest := len(campaign.broken) - _SHOWN) > 0:
        lines += ["", f"And {rest:,} more, which --json tells."]
    return lines


def one_lines(plan: Plan, result: Result) -> list[str]:
    """Return everything that is known of a single case."""
    broken = {each.name: each.found for each in result.broken}
    lines = [
        f"{_upper(told(result.case))}.",
        f"  {_outcome(result)}{f': {shown(result.reason)}' if result.reason else ''}.",
        f"  {duration(result.took_ns)} on the line; disturbed {count(result.struck, 'time')}.",
        f"  All that passed: SHA-256 {result.digest}.",
        "",
    ]
    for rule in (*INVARIANTS, RAISES):
        found = broken.get(rule.name)
        kept = "kept" if found is None else f"BROKEN: {shown(found)}"
        lines += [f"  {rule.sentence}", f"    {kept}"]
    return [*lines, "", f"Again: {command_of(plan, result)}"]


def document(campaign: Campaign, *, seconds: float, workers: int) -> dict[str, Any]:
    """Return the same as one JSON document; runs are listed where a rule was broken."""
    results = campaign.results
    return {
        "schema": SCHEMA,
        "seed": campaign.plan.seed,
        "profiles": list(campaign.plan.units),
        "disturbances": list(campaign.plan.disturbances),
        "asked": campaign.asked,
        "runs": len(results),
        "stopped": campaign.stopped,
        "twice": sum(result.was_twice for result in results),
        "seconds": round(seconds, 3),
        "workers": workers,
        "runs_a_second": round(len(results) / seconds, 1) if seconds else None,
        "sha256": campaign.digest,
        "rules": [{"name": r.name, "sentence": r.sentence} for r in (*INVARIANTS, RAISES)],
        "by_profile": _counts(results, lambda result: result.case.profile),
        "by_group": _counts(results, lambda result: result.case.group),
        "by_disturbance": _counts(results, lambda result: result.case.kind),
        "broken": [run_document(campaign.plan, result) for result in campaign.broken],
    }


def run_document(plan: Plan, result: Result) -> dict[str, Any]:
    """Return one run as JSON."""
    case = result.case
    return {
        "number": case.number,
        "profile": case.profile,
        "content": case.content,
        "frames": case.frames,
        "bits": case.bits,
        "channels": case.channels,
        "rate": case.rate,
        "header": case.header,
        "loop": case.loop,
        "sample_number": case.sample_number,
        "disturbances": list(case.disturbances),
        "outcome": result.outcome,
        "verified": result.verified,
        "reason": result.reason,
        "struck": result.struck,
        "took_ns": result.took_ns,
        "sha256": result.digest,
        "broken": [
            {"name": each.name, "sentence": each.sentence, "found": each.found}
            for each in result.broken
        ],
        "command": command_of(plan, result),
    }


def junit(campaign: Campaign, *, seconds: float) -> bytes:
    """Return the campaign as a suite of test cases a profile, a broken rule being a failure."""
    root = ElementTree.Element("testsuites", name="dryload campaign", time=f"{seconds:.3f}")
    suites: dict[str, ElementTree.Element] = {}
    for result in campaign.results:
        profile = shown(result.case.profile)
        suite = suites.get(profile)
        if suite is None:
            suite = suites[profile] = ElementTree.SubElement(root, "testsuite", name=profile)
        case = ElementTree.SubElement(
            suite, "testcase", classname=profile, name=shown(told(result.case)), time="0"
        )
        for broken in result.broken:
            failure = ElementTree.SubElement(
                case, "failure", type=broken.name, message=shown(broken.found)
            )
            failure.text = f"{broken.sentence}\n{shown(command_of(campaign.plan, result))}"
    for element in (root, *suites.values()):
        element.set("tests", str(len(list(element.iter("testcase")))))
        failed = [case for case in element.iter("testcase") if case.find("failure") is not None]
        element.set("failures", str(len(failed)))
        element.set("errors", "0")
    content: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return content + b"\n"


def command_of(plan: Plan, result: Result) -> str:
    """Return the command that makes a run again and tells everything of it."""
    words = ["dryload", "campaign", "--seed", str(plan.seed)]
    for name in plan.profiles:
        words += ["--profile", name]
    for text in plan.disturbances:
        words += ["--disturb", text]
    return shlex.join([*words, "--only", str(result.case.number)])


def _broken_lines(plan: Plan, result: Result) -> list[str]:
    lines = [f"{_upper(shown(told(result.case)))}."]
    for broken in result.broken:
        lines += [f"  {broken.sentence}", f"    But {shown(broken.found)}."]
    return [*lines, f"  Again: {shown(command_of(plan, result))}"]


def _tallies(
    heading: str, results: Sequence[Result], key: Callable[[Result], str], width: int | None
) -> list[str]:
    columns = [Column(heading), Column("runs", right=True)]
    columns += [Column(each, right=True, spare=1) for each in _HEADINGS]
    columns.append(Column("broken", right=True))
    rows = []
    for name, counts in _counts(results, key).items():
        numbers = [counts[each] for each in ("runs", *_COUNTED[:-1], "broken")]
        rows.append([shown(name), *(f"{number:,}" for number in numbers)])
    return table(columns, rows, width)


def _counts(results: Sequence[Result], key: Callable[[Result], str]) -> dict[str, dict[str, int]]:
    counts: dict[str, Counter[str]] = {}
    for result in results:
        each = counts.setdefault(key(result), Counter())
        each["runs"] += 1
        each[_outcome(result)] += 1
        each["broken"] += bool(result.broken)
    names = ("runs", *_COUNTED, "broken")
    return {name: {what: counts[name][what] for what in names} for name in sorted(counts)}


def _outcome(result: Result) -> str:
    is_verified = result.outcome == "loaded" and result.verified
    return _VERIFIED if is_verified else result.outcome


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]
